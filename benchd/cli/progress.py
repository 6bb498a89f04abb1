"""How far a run is: a bar with the time to go at a terminal, a line a step elsewhere. On stderr."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Column

from benchd.cli.console import err
from benchd.cli.plans import duration
from benchd.cli.speak import remark

Doc = Mapping[str, Any]

ETA_LETTERS = 18
"""Of `1 min 20 s to go`, at the most."""


QUIET = frozenset({"running", "asking"})
"""A run alternates between these with each question, so a change between them prints no line."""


class StepLines:
    """A line for each step of the file and each tenth of the way, where no bar can be drawn; `say` prints it."""

    def __init__(self, say: Callable[[str], object]) -> None:
        self._say = say
        self._shown: tuple[Any, ...] = ()

    def take(self, doc: Doc) -> None:
        """A new state."""
        progress = float(doc.get("progress") or 0.0)
        state = "" if doc["state"] in QUIET else doc["state"]
        shown = (doc["run"], state, doc.get("step"), int(10.0 * progress))
        if shown == self._shown:
            return
        self._shown = shown
        eta = f", {_eta(doc)}" if _eta(doc) else ""
        self._say(
            f"{doc['run']} {doc['state']}, step {doc.get('step')} of {doc.get('of')}, {100.0 * progress:.0f} %{eta}"
        )


class Bar:
    """Takes the states of `procedure`; `close` leaves the terminal as it was.

    On a terminal of any width one line is redrawn; elsewhere `say` is called with a line now and then.
    `console` None: the standard error.
    """

    def __init__(self, console: Console | None = None, say: Callable[[str], object] = remark) -> None:
        self._lines, self._say = StepLines(say), say
        self._live: Progress | None = None
        console = err() if console is None else console
        if console.is_terminal and not console.is_dumb_terminal:
            columns = (
                TextColumn("{task.description}", markup=False, table_column=Column(no_wrap=True, ratio=1)),
                BarColumn(bar_width=max(10, min(34, console.width - 70))),
                TextColumn("{task.percentage:>3.0f} %", markup=False, table_column=Column(no_wrap=True)),
                TextColumn("{task.fields[eta]}", markup=False, table_column=Column(no_wrap=True, width=ETA_LETTERS)),
            )
            self._live = Progress(*columns, console=console, transient=True, expand=True)
            self._task = self._live.add_task("starting", total=1.0, eta="")

    def take(self, doc: Doc, *, asks: bool = True) -> None:
        """A new state. While a person is asked (`asks`) the bar is away, so that the question stays readable."""
        if self._live is None:
            self._lines.take(doc)
            return
        name = f"{doc['procedure']} {doc['run']} {doc['state']}, step {doc.get('step')} of {doc.get('of')}"
        progress = float(doc.get("progress") or 0.0)
        self._live.update(self._task, completed=progress, description=name, eta=_eta(doc))
        if (asks and doc.get("ask") is not None) or doc["state"] in ("done", "failed", "aborted"):
            self._live.stop()
        elif not self._live.live.is_started:
            self._live.start()

    def say(self, text: str) -> None:
        """A line above the bar."""
        if self._live is not None and self._live.live.is_started:
            self._live.console.print(text)
        else:
            self._say(text)

    def close(self) -> None:
        """No more of it."""
        if self._live is not None:
            self._live.stop()


def _eta(doc: Doc) -> str:
    eta = doc.get("eta_s")
    return "" if eta is None else f"{duration(eta)} to go"
