"""A run under way: its id in the record, the next reading index, and what it has measured so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from benchd.bench.notices import Notices
from benchd.bench.sweep.sweep_data import SweepData
from benchd.records.store import Store
from benchd.records.values import ReadingRow, row_of


@dataclass(slots=True)
class RunRecord:
    """One run. `sweeps` and `named` (readings saved by name, in the order taken) are what assessments work on.

    `unreported` are the findings, by name, made since the last question. `moved_to_um` is where its last step moved the
    carriage to; None if that was nominal, or is not certain. `glass_confirmed` are the lenses, each with the glass
    behind it, that a person has confirmed as intended. `seating` counts how often the lens was taken off and put back
    in this run, `seated_by` says who did it last.
    """

    id: str
    procedure: str
    user: str
    sweeps: list[SweepData] = field(default_factory=list)
    named: dict[str, list[ReadingRow]] = field(default_factory=dict)
    findings: dict[str, dict[str, object]] = field(default_factory=dict)
    unreported: list[str] = field(default_factory=list)
    moved_to_um: float | None = None
    glass_confirmed: set[tuple[str, tuple[str, ...]]] = field(default_factory=set)
    seating: int = 0
    seated_by: str | None = None
    _next: int = 0

    @property
    def number(self) -> int:
        """The row number of the run in the record."""
        return row_of("run", self.id)

    def next_index(self) -> int:
        """The index of the next reading."""
        index, self._next = self._next, self._next + 1
        return index

    @property
    def last_index(self) -> int:
        """The index of the last reading; -1 before the first."""
        return self._next - 1


TOPIC = "reading"


async def keep_and_publish(store: Store, notices: Notices, rows: Sequence[ReadingRow]) -> None:
    """Keep the rows, all or none, then publish each. Raises BenchdError (disk_full, ..) before publishing anything."""
    await store.add_readings(rows)
    for row in rows:
        notices.tell(TOPIC, row.as_json())
