"""The two consoles: answers on stdout, remarks on stderr. Nothing typed or measured is taken for markup."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterable
from typing import IO, Any, cast

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from benchd.cli.prose import LEAST
from benchd.cli.tables import WIDTH
from benchd.shown import bare, shown

_PADDING = re.compile(r" +(?=\n)")


def out() -> Console:
    """For the answer; as wide as the terminal (a pipe: as COLUMNS says), 100 columns at the most."""
    return _console(stderr=False)


def err() -> Console:
    """For remarks and progress."""
    return _console(stderr=True)


def wide(*, stderr: bool) -> Console:
    """One of the two, for a script that has a choice."""
    return _console(stderr=stderr)


def _console(*, stderr: bool) -> Console:
    file = bare(sys.stderr if stderr else sys.stdout)  # our own colours are for the terminal
    if not file.isatty():
        to: IO[str] = cast("IO[str]", _Unpadded(file))
        return ShowingConsole(file=to, highlight=False, markup=False, emoji=False, width=_asked_for())
    console = ShowingConsole(file=file, highlight=False, markup=False, emoji=False)
    if console.width > WIDTH:
        console = ShowingConsole(file=file, highlight=False, markup=False, emoji=False, width=WIDTH)
    return console


def _asked_for() -> int:
    """The columns of a pipe or a file: what COLUMNS says, 100 at the most."""
    columns = os.environ.get("COLUMNS", "")
    return min(int(columns), WIDTH) if columns.isdecimal() and int(columns) > LEAST else WIDTH


class _Unpadded:
    """A pipe or a file, whose lines end where their words do: tables fill theirs up with blanks."""

    def __init__(self, file: IO[str]) -> None:
        self._file = file

    def write(self, text: str) -> int:
        self._file.write(_PADDING.sub("", text))
        return len(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


class ShowingConsole(Console):
    """Writes its own terminal control, and escapes the text it is given."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """As the library's, each piece of text shown."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(shown(segment.text), segment.style)
