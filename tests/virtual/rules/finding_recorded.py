"""A finding's readings are all in the record, of one set-up (or those it compares), one light, and a trusted place."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.virtual.witness import Watched

SAID = "While a sweep was taken the target's light was changed"
"""How the note begins by which a finding says that the light changed, whatever its readings show of that."""
COMPARES = {"glass_toggle": 3}
"""Findings across set-ups, and how many: without the plate, with it, and without."""
STEP = 1.0 / 1000.0
"""Of the dimmer: less is no change."""


@dataclass(frozen=True)
class _Taken:
    rev: int
    level: float
    losses: int


class FindingRecorded(Watched):
    """`file` is the record, looked at when all is over; `level` asks the lamp as a reading of a picture is told."""

    def __init__(self, file: Path, level: Callable[[], float]) -> None:
        self._file, self._level = file, level
        self._rev, self._homed, self._losses = -1, False, 0
        self._taken: dict[str, dict[int, _Taken]] = {}
        self._findings: dict[str, tuple[int, int, int]] = {}

    def told(self, topic: str, document: Any) -> None:
        if not document:
            return
        if topic == "setup":
            self._rev = document["rev"]
        elif topic == "device/carriage":
            self._losses += self._homed and not document["homed"]
            self._homed = document["homed"]
        elif topic == "reading" and document["device"] != "indicator":
            self._taken.setdefault(document["run"], {}).setdefault(
                document["idx"], _Taken(self._rev, self._level(), self._losses)
            )
        elif topic.startswith("finding/") and document["finding"] not in self._findings:
            first, last = document["readings"]["indices"]
            self._findings[document["finding"]] = int(document["readings"]["run"][2:]), first, last
            self._look(document, first, last)

    def _look(self, finding: dict[str, Any], first: int, last: int) -> None:
        taken = [one for idx, one in self._taken.get(finding["run"], {}).items() if first <= idx <= last]
        if not taken:
            return
        name = finding["finding"]
        revs = {one.rev for one in taken}
        if max(revs) != finding["setup"] or len(revs) != COMPARES.get(finding["assessment"], 1):
            self.fail(f"{name} names set-up {finding['setup']}; its readings are of {sorted(revs)}")
        if len({one.losses for one in taken}) > 1:
            self.fail(f"trust was lost between the readings of {name}")
        levels = [one.level for one in taken]
        if max(levels) - min(levels) > STEP and not any(note.startswith(SAID) for note in finding["notes"]):
            self.fail(f"the light went from {min(levels):.3f} to {max(levels):.3f} between the readings of {name}")

    def over(self) -> None:
        with closing(sqlite3.connect(f"file:{self._file}?mode=ro", uri=True)) as record:
            kept = {f"f-{number}" for (number,) in record.execute("SELECT id FROM finding")}
            for name, (run, first, last) in self._findings.items():
                found = record.execute(
                    "SELECT COUNT(DISTINCT idx) FROM reading WHERE run = ? AND idx BETWEEN ? AND ?", (run, first, last)
                ).fetchone()[0]
                if found != last - first + 1:
                    self.fail(f"{name} rests on readings {first} to {last} of r-{run:04d}; the record has {found}")
                if name not in kept:
                    self.fail(f"{name} was told and is not in the record: it has {sorted(kept)[:5]}")
