"""The two consoles: answers on stdout, remarks on stderr. Nothing typed or measured is taken for markup."""

from __future__ import annotations

import sys
from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from benchd.cli.tables import WIDTH
from benchd.shown import bare, shown


def out() -> Console:
    """For the answer; as wide as the terminal, 100 columns at the most."""
    return _console(stderr=False)


def err() -> Console:
    """For what goes on meanwhile."""
    return _console(stderr=True)


def wide(*, stderr: bool) -> Console:
    """One of the two, for a script that has a choice."""
    return _console(stderr=stderr)


def _console(*, stderr: bool) -> Console:
    file = bare(sys.stderr if stderr else sys.stdout)  # our own colours are for the terminal
    console = ShowingConsole(
        file=file, highlight=False, markup=False, emoji=False, width=None if file.isatty() else WIDTH
    )
    if console.width > WIDTH:
        console = ShowingConsole(file=file, highlight=False, markup=False, emoji=False, width=WIDTH)
    return console


class ShowingConsole(Console):
    """Steers the terminal itself, and shows the words it is given."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """As the library's, each piece of text shown."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(shown(segment.text), segment.style)
