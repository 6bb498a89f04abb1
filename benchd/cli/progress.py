"""How far a run is: a bar with the time to go at a terminal, a line a step elsewhere. On stderr."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from typing import Any

from rich.progress import BarColumn, Progress, TextColumn

from benchd.cli.console import err
from benchd.cli.plans import duration
from benchd.cli.speak import said

Doc = Mapping[str, Any]


class StepLines:
    """A line for each step, state and tenth of the way, where no bar can be drawn; `say` prints it."""

    def __init__(self, say: Callable[[str], object]) -> None:
        self._say = say
        self._shown: tuple[Any, ...] = ()

    def take(self, doc: Doc) -> None:
        """A new state."""
        progress = float(doc.get("progress") or 0.0)
        shown = (doc["run"], doc["state"], doc.get("step"), int(10.0 * progress))
        if shown == self._shown:
            return
        self._shown = shown
        eta = f", {_eta(doc)}" if _eta(doc) else ""
        self._say(
            f"{doc['run']} {doc['state']}, step {doc.get('step')} of {doc.get('of')}, {100.0 * progress:.0f} %{eta}"
        )


class Bar:
    """Takes the states of `procedure`; `close` leaves the terminal as it was."""

    def __init__(self) -> None:
        self._lines = StepLines(said)
        self._live: Progress | None = None
        if sys.stderr.isatty():
            columns = (
                TextColumn("{task.description}", markup=False),
                BarColumn(bar_width=34),
                TextColumn("{task.percentage:>3.0f} %", markup=False),
                TextColumn("{task.fields[eta]}", markup=False),
            )
            self._live = Progress(*columns, console=err(), transient=True)
            self._task = self._live.add_task("starting", total=1.0, eta="")

    def take(self, doc: Doc) -> None:
        """A new state. While a person is asked the bar is away, so that the question stays readable."""
        if self._live is None:
            self._lines.take(doc)
            return
        name = f"{doc['procedure']} {doc['run']}, step {doc.get('step')} of {doc.get('of')}, {doc['state']}"
        progress = float(doc.get("progress") or 0.0)
        self._live.update(self._task, completed=progress, description=name, eta=_eta(doc))
        if doc.get("ask") is not None or doc["state"] in ("done", "failed", "aborted"):
            self._live.stop()
        elif not self._live.live.is_started:
            self._live.start()

    def say(self, text: str) -> None:
        """A line above the bar."""
        if self._live is not None and self._live.live.is_started:
            self._live.console.print(text)
        else:
            said(text)

    def close(self) -> None:
        """No more of it."""
        if self._live is not None:
            self._live.stop()


def _eta(doc: Doc) -> str:
    eta = doc.get("eta_s")
    return "" if eta is None else f"{duration(eta)} to go"
