"""Tasks, timers and open files are at rest as many as when the daemon had just come up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from tests.virtual.witness import Watched

SETTLED_S = 0.5
"""After its start."""
AT_WORK = {"tasks": 5, "timers": 6, "files": 3}
"""What may be under way just as it is counted, and was not then: a look at the carriage with its two questions, one
more of a light, a talk with the camera; a limit of time for each, and one of a client's; the record's own two files
beside the first, and the broker's."""


@dataclass(frozen=True)
class Holdings:
    """What the process holds: the names of the daemon's tasks, timers that have not been cancelled, open files."""

    tasks: Counter[str]
    timers: int
    files: int

    @property
    def counts(self) -> Mapping[str, int]:
        return {"tasks": self.tasks.total(), "timers": self.timers, "files": self.files}


class Flat(Watched):
    """`held` counts."""

    def __init__(self, held: Callable[[], Holdings]) -> None:
        self._held = held
        self._up_s: float | None = None
        self._first: Holdings | None = None

    def daemon(self, up: bool) -> None:
        self._up_s = self.now() if up else None
        self._first = None

    def passed(self) -> None:
        if self._first is None and self._up_s is not None and self.now() > self._up_s + SETTLED_S:
            self._first = self._held()

    def over(self) -> None:
        if self._first is None:
            return
        now = self._held()
        for what, before in self._first.counts.items():
            if now.counts[what] > before + AT_WORK[what]:
                more = f": {dict(now.tasks - self._first.tasks)}" if what == "tasks" else ""
                self.fail(f"{now.counts[what]} {what} at rest, {before} after the start{more}")
