"""What devices of lines share: a pattern found in a whole line, and the check that a line may carry at its end."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import reduce
from operator import xor
from typing import Annotated, Literal

from pydantic import AfterValidator

from benchd.devices import Matcher

Checksum = Literal["xor", "sum"]
"""Behind the last `*`, two hexadecimal digits: `xor` of all bytes before it but a leading $ or !, as NMEA 0183 has it;
`sum` of all bytes before it, modulo 256."""


def _compiles(pattern: str) -> str:
    try:
        re.compile(pattern)
    except re.error as error:
        raise ValueError(f"not a regular expression: {error}") from None
    return pattern


Pattern = Annotated[str, AfterValidator(_compiles)]
"""A regular expression, as a bench file states it."""

_OF: dict[Checksum, Callable[[bytes], int]] = {
    "xor": lambda text: reduce(xor, text[1:] if text[:1] in (b"$", b"!") else text, 0),
    "sum": lambda text: sum(text) % 256,
}


def unchecked(raw: bytes, checksum: Checksum | None) -> str | None:
    """The text of a line without its check; None where that does not fit, or is missing."""
    text = raw.strip()
    if checksum is not None:
        text, star, told = text.rpartition(b"*")
        if not star or re.fullmatch(rb"[0-9A-Fa-f]{2}", told) is None or int(told, 16) != _OF[checksum](text):
            return None
    return text.decode("ascii", "replace").strip()


def line_like(pattern: str, terminator: bytes, checksum: Checksum | None) -> Matcher:
    """A matcher for the first whole line that fits, whatever else comes before it."""

    def match(received: bytes) -> slice | None:
        start = 0
        while (end := received.find(terminator, start)) >= 0:
            text = unchecked(received[start:end], checksum)
            if text is not None and re.search(pattern, text):
                return slice(start, end + len(terminator))
            start = end + len(terminator)
        return None

    return match
