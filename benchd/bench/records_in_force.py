"""Records as their files change: read and checked whole, in force all at once, never under a run that uses one.

A file that is wrong is told with its line, and what was in force stays so. What stands on the bench is counted with
anew: the set-up's revision counts up, and the carriage is to be driven; homing and calibrations stay.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Collection, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.events import Events
from benchd.bench.jobs import Jobs
from benchd.devices import Clock
from benchd.errors import BenchdError, Refused
from benchd.files.last_good import LAST_GOOD, keep_good
from benchd.files.loading import LoadedBench, reload_records
from benchd.files.record_text import with_values
from benchd.files.records_folder import FOLDERS, Kind, Records
from benchd.files.source import parse_yaml, read_text
from benchd.files.whole_file import write_whole
from benchd.records.store import Store

LOOK_S = 1.0
"""A file is read once it has stood unchanged for so long: an editor may write it in parts."""

Stamps = Mapping[Path, tuple[int, int, int]]
"""Of each file when it was changed (ns), its size, and its inode."""


@dataclass(frozen=True, slots=True)
class Change:
    """One record that is not as it was; `how` is `new`, `gone`, or the keys that have changed."""

    kind: Kind
    record_id: str
    how: str
    was: Mapping[str, Any] = field(default_factory=dict)
    """The keys that have changed, with their values before and `now`, as JSON."""
    now: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        what = f"{self.kind} {self.record_id}"
        return f"{what} is {self.how}" if self.how in ("new", "gone") else f"{what} was changed ({self.how})"


class RecordsInForce:
    """`used` names what the run under way uses; nothing where there is none. `run` watches the files."""

    def __init__(
        self,
        loaded: LoadedBench,
        setup: CurrentSetup,
        store: Store,
        events: Events,
        clock: Clock,
        jobs: Jobs,
        used: Callable[[], Collection[str]],
    ) -> None:
        self._loaded = loaded
        self._setup = setup
        self._store = store
        self._events = events
        self._clock = clock
        self._jobs = jobs
        self._used = used
        self._one_at_a_time = asyncio.Lock()
        self._folder = loaded.folder / loaded.file.records
        self._read: Stamps | None = None
        self._seen: Stamps = {}
        self._told = ""

    async def run(self) -> None:
        """Look at the files until cancelled."""
        while True:
            await self._look()
            await self._clock.sleep(LOOK_S)

    async def _look(self) -> None:
        before, self._seen = self._seen, await asyncio.to_thread(self._stamps)
        if self._seen == before:
            await self._read_anew(self._seen)

    async def catch_up(self) -> None:
        """Have in force what the files say now: before anything is driven or set up by them."""
        self._seen = await asyncio.to_thread(self._stamps)
        await self._read_anew(self._seen)

    async def _read_anew(self, stamps: Stamps) -> None:
        async with self._one_at_a_time:
            if stamps == self._read:
                return
            try:
                records = await asyncio.to_thread(reload_records, self._loaded)
                changes = differences(self._loaded.records, records)
                self._require_free(changes)
                await self._put_in_force(records, changes, by=None)
            except Refused as refused:  # it is looked at again, as it may come into force later
                self._tell_once(refused)
            except BenchdError as error:
                self._read = stamps
                self._tell_once(error)
            else:
                self._read, self._told = stamps, ""

    def _tell_once(self, error: BenchdError) -> None:
        if error.text != self._told:
            self._told = error.text
            advice = f"{error.advice} What was in force stays so.".strip()
            self._events.tell(error.code, error.text, severity="warning", advice=advice, data=error.data)

    def _stamps(self) -> Stamps:
        found: dict[Path, tuple[int, int, int]] = {}
        for name in FOLDERS.values():
            try:
                with os.scandir(self._folder / name) as entries:
                    for entry in entries:
                        if entry.name.endswith((".yaml", ".yml")):
                            stat = entry.stat()
                            found[Path(entry.path)] = (stat.st_mtime_ns, stat.st_size, stat.st_ino)
            except OSError:  # a folder that is not there, or a file that has just gone
                continue
        return found

    async def write(self, kind: Kind, record_id: str, values: Mapping[str, Any], *, by: str) -> dict[str, Any]:
        """Set values of a record, or make a new one; gives its file, what has changed, and the set-up's revision.

        Raises Refused (bad_request with file, line and key; busy where a run uses it; what the set-up does not allow),
        BenchdError (disk_full); then nothing is written. What is written and cannot be put in force for a fault of the
        bench's own record comes into force later, as what is written by hand.
        """
        if values.get(kind, record_id) != record_id:
            text = f"The id of {kind} {record_id} stays as it is: runs and findings go by it."
            raise Refused("bad_request", text, advice="Begin a record of another id.")
        async with self._one_at_a_time:
            source = self._loaded.records.sources.get((kind, record_id))
            path = self._folder / FOLDERS[kind] / f"{record_id}.yaml" if source is None else source.path
            # As the file is now, with what was written by hand a moment ago.
            there = parse_yaml(path, await asyncio.to_thread(read_text, path)).text if path.exists() else ""
            text = with_values(there, kind, record_id, values)
            records = await asyncio.to_thread(reload_records, self._loaded, {path: text})
            changes = differences(self._loaded.records, records)
            self._require_free(changes)
            self._require_standing(records, changes)
            try:
                await asyncio.to_thread(write_whole, path, text.encode("utf-8"))
            except OSError as error:
                raise BenchdError("disk_full", f"{path} could not be written: {error.strerror}.") from error
            await asyncio.shield(self._put_in_force(records, changes, by=by))
        told = [str(change) for change in changes]
        return {"file": str(path.relative_to(self._loaded.folder)), "changes": told, "rev": self._setup.document.rev}

    def _require_free(self, changes: Collection[Change]) -> None:
        """Raise Refused('busy') where the run under way uses what has changed."""
        used = set(self._used())
        if names := sorted({change.record_id for change in changes if change.record_id in used}):
            raise Refused(
                "busy",
                f"The run under way uses {' and '.join(names)}, whose records change when it has ended.",
                advice="Wait until the run has ended, or abort it.",
                data={"records": names},
            )

    def _standing(self, changes: Collection[Change]) -> bool:
        """Whether what stands on the bench has changed."""
        setup = self._setup.document
        stands: dict[Kind, Collection[str | None]] = {
            "lens": (setup.lens,),
            "adapter": setup.adapters,
            "glass": setup.glass,
        }
        return any(change.record_id in stands.get(change.kind, ()) for change in changes)

    def _require_standing(self, records: Records, changes: Collection[Change]) -> None:
        """Raise Refused where what stands on the bench could not stand there by these records."""
        if self._standing(changes):
            try:
                self._setup.check_stands(records)
            except Refused as refused:
                text = f"{refused.text} It stands on the bench by the set-up in force."
                raise Refused(refused.code, text, advice=refused.advice, data=refused.data) from refused

    async def _put_in_force(self, records: Records, changes: Collection[Change], *, by: str | None) -> None:
        async with self._setup.changing:
            stands = self._standing(changes)
            if not stands:
                self._loaded.records = records
        if not changes:
            return  # comments may have changed, and with them the lines of what stands there
        if stands:
            self._require_standing(records, changes)
            with self._jobs.kept_free("a record that has changed"):
                await self._setup.count_with(records)
            if (lens := self._setup.document.lens) is not None:
                await self._store.put_lens(lens, records.lens(lens).model_dump(mode="json"))
        await asyncio.to_thread(self._keep_good)
        text = "; ".join(map(str, changes))
        data = {"changes": [asdict(one) for one in changes], "by": by}
        self._events.tell("records", f"{text[:1].upper()}{text[1:]}.", data=data)

    def _keep_good(self) -> None:
        try:
            keep_good(self._loaded, self._loaded.folder / LAST_GOOD)
        except OSError:
            return  # the copies are a convenience; a full disk is told by the record


def differences(before: Records, after: Records) -> list[Change]:
    """What has changed, in the order of kinds and ids; a change of comments alone is none."""
    found = []
    for kind in FOLDERS:
        old, new = before.of(kind), after.of(kind)
        for record_id in sorted({*old, *new}):
            if record_id not in old:
                found.append(Change(kind, record_id, "new"))
            elif record_id not in new:
                found.append(Change(kind, record_id, "gone"))
            elif old[record_id] != new[record_id]:
                was, now = (record.model_dump(mode="json") for record in (old[record_id], new[record_id]))
                keys = [key for key in now if was[key] != now[key]]
                found.append(
                    Change(
                        kind,
                        record_id,
                        ", ".join(keys),
                        {key: was[key] for key in keys},
                        {key: now[key] for key in keys},
                    )
                )
    return found
