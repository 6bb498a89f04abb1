"""A run under way: its number in the record, the next index, and what it has brought home so far."""

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

    `unseen` are the findings, by name, made since the last question. `stands_um` is where its last step moved the
    carriage to; None where that was nominal, or no certain place. `glass_meant` are the lenses with the glass behind
    them of which somebody has said that they are meant to stand so.
    """

    id: str
    procedure: str
    user: str
    sweeps: list[SweepData] = field(default_factory=list)
    named: dict[str, list[ReadingRow]] = field(default_factory=dict)
    findings: dict[str, dict[str, object]] = field(default_factory=dict)
    unseen: list[str] = field(default_factory=list)
    stands_um: float | None = None
    glass_confirmed: set[tuple[str, tuple[str, ...]]] = field(default_factory=set)
    _next: int = 0

    @property
    def number(self) -> int:
        """The run's row, a number that no other run has."""
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


async def keep_and_tell(store: Store, notices: Notices, rows: Sequence[ReadingRow]) -> None:
    """Keep the rows, all or none, then tell each. Raises BenchdError (disk_full, ..); nothing was told then."""
    await store.add_readings(rows)
    for row in rows:
        notices.tell(TOPIC, row.as_json())
