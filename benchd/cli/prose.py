"""Sentences in a terminal: lines end between words, not inside of one. Into a pipe or a file they go as they are."""

from __future__ import annotations

import os
import textwrap
from typing import TextIO

LONGEST = 100
"""Longer lines are hard to read, however wide the terminal is."""
LEAST = 20
"""A terminal that says it is narrower does not know how wide it is."""


def wrapped(text: str, stream: TextIO) -> str:
    """The text as printed to `stream`; continuation lines of an indented line are indented by two more columns."""
    try:
        width = min(os.get_terminal_size(stream.fileno()).columns, LONGEST) if stream.isatty() else 0
    except (OSError, ValueError, AttributeError):  # no terminal after all
        width = 0
    return "\n".join(_lines(line, width) for line in text.split("\n")) if width > LEAST else text


def _lines(line: str, width: int) -> str:
    if len(line) <= width:
        return line
    inset = line[: len(line) - len(line.lstrip())]
    more = f"{inset}  " if inset else ""
    return textwrap.fill(
        line, width, subsequent_indent=more, break_long_words=False, break_on_hyphens=False, drop_whitespace=True
    )
