"""Every reading that was told is in the record, once, whatever was killed meanwhile; and how each run ended."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from tests.virtual.witness import Watched

ENDS = ("done", "failed", "aborted")


class RecordWhole(Watched):
    """`file` is the record, looked at when all is over. A reading is told only after it is on disk."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._told: dict[tuple[str, int, str, str], float | None] = {}
        self._ended: dict[str, str] = {}
        self._run: str | None = None

    def told(self, topic: str, document: Any) -> None:
        if topic == "reading" and document:
            key = (document["run"], document["idx"], document["device"], document["channel"])
            self._told[key] = document["value"]
        elif topic == "procedure" and document:
            self._run = None if document["state"] in ENDS else document["run"]
            if document["state"] in ENDS:
                self._ended[document["run"]] = document["state"]

    def over(self) -> None:
        with closing(sqlite3.connect(f"file:{self._file}?mode=ro", uri=True)) as record:
            rows = record.execute("SELECT run, idx, device, channel, value FROM reading").fetchall()
            states = record.execute("SELECT id, state, ended FROM run").fetchall()
        runs = {f"r-{run:04d}": (state, ended) for run, state, ended in states}
        for run, (state, ended) in runs.items():
            told = self._ended.get(run, state)
            if ended is None and run != self._run:
                self.fail(f"run {run} stands open in the record, and is not under way")
            if state != told or (state in ENDS) != (ended is not None):
                self.fail(f"run {run} was told as {told} and stands in the record as {state}, ended at {ended}")
        kept = {(f"r-{run:04d}", idx, device, channel): value for run, idx, device, channel, value in rows}
        if len(kept) != len(rows):
            self.fail("a reading stands twice in the record")
        for key, value in self._told.items():
            if key not in kept:
                self.fail(f"reading {key} was told and is not in the record")
                return
            if kept[key] != value:
                self.fail(f"reading {key} was told as {value} and is kept as {kept[key]}")
                return
