"""The two consoles: answers on stdout, remarks on stderr. Nothing typed or measured is taken for markup."""

from __future__ import annotations

import sys

from rich.console import Console

from benchd.cli.tables import WIDTH


def out() -> Console:
    """For the answer; as wide as the terminal, 100 columns at the most."""
    return _console(stderr=False)


def err() -> Console:
    """For what goes on meanwhile."""
    return _console(stderr=True)


def _console(*, stderr: bool) -> Console:
    tty = (sys.stderr if stderr else sys.stdout).isatty()
    console = Console(stderr=stderr, highlight=False, markup=False, emoji=False, width=None if tty else WIDTH)
    if console.width > WIDTH:
        console = Console(stderr=stderr, highlight=False, markup=False, emoji=False, width=WIDTH)
    return console
