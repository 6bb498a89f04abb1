"""Where the time of a run goes, beside the least that its hardware needs.

What happens one after the other is counted: work that passes while the carriage moves costs nothing and is in no row.
The table of a run is that of its own task (a context variable), so that carriage and sweep need not hand it on.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any, Literal

from benchd.devices import Clock

Kind = Literal["homing", "moves", "settling", "exposures", "wire", "light set", "analysis", "person", "paused"]

OTHER = "other"


@dataclass(slots=True)
class Row:
    """How often, how long, and the least it could take (s). `least_s`: the quickest one."""

    count: int = 0
    seconds: float = 0.0
    floor_s: float = 0.0
    least_s: float = field(default=float("inf"))


class TimeTable:
    """The rows of one run."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._began_s = clock.monotonic()
        self._rows: dict[str, Row] = {}
        self._inside = False

    @contextmanager
    def spent(self, kind: Kind, floor_s: float | None) -> Iterator[None]:
        """Count the block's time; a block inside another is part of that."""
        if self._inside:
            yield
            return
        self._inside, began_s = True, self._clock.monotonic()
        try:
            yield
        finally:
            self._inside = False
            self.add(kind, self._clock.monotonic() - began_s, floor_s)

    def add(self, kind: Kind, seconds: float, floor_s: float | None) -> None:
        """Count a time; one whose floor is not known (None) could have been no quicker."""
        row = self._rows.setdefault(kind, Row())
        row.count, row.seconds, row.least_s = row.count + 1, row.seconds + seconds, min(row.least_s, seconds)
        row.floor_s += seconds if floor_s is None else min(floor_s, seconds)

    def as_json(self) -> dict[str, Any]:
        """`total_s`, and rows of `what`, `count`, `s` and `floor_s`; the last one is what no other row has."""
        total_s = self._clock.monotonic() - self._began_s
        rows = [
            {"what": kind, "count": row.count, "s": round(row.seconds, 3), "floor_s": _floor(kind, row)}
            for kind, row in self._rows.items()
        ]
        rest_s = max(0.0, total_s - sum(row.seconds for row in self._rows.values()))
        rows.append({"what": OTHER, "count": 1, "s": round(rest_s, 3), "floor_s": 0.0})
        return {"total_s": round(total_s, 3), "rows": rows}


def _floor(kind: str, row: Row) -> float:
    """Of the wire each exchange could be as quick as the quickest."""
    return round(row.count * row.least_s if kind == "wire" else row.floor_s, 3)


_under_way: ContextVar[TimeTable | None] = ContextVar("time table of the run", default=None)


def begin(table: TimeTable) -> None:
    """What this task does from now on, and the tasks that it starts, is counted in `table`."""
    _under_way.set(table)


@contextmanager
def spent(kind: Kind, floor_s: float | None = 0.0) -> Iterator[None]:
    """Count the block's time in the run of this task; outside a run nothing is counted."""
    table = _under_way.get()
    if table is None:
        yield
        return
    with table.spent(kind, floor_s):
        yield


def add(kind: Kind, seconds: float, floor_s: float | None = 0.0) -> None:
    """Count a time in the run of this task."""
    table = _under_way.get()
    if table is not None:
        table.add(kind, seconds, floor_s)
