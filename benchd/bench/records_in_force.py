"""Records as their files change: read and checked whole, in force all at once, never under a run that uses one.

A file that is wrong is told with its line, and what was in force stays so. What stands on the bench is counted with
anew: the set-up's revision counts up, and the carriage is to be driven; homing and calibrations stay.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Collection, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

import structlog

from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.events import Events
from benchd.bench.jobs import Jobs
from benchd.bench.within_reach import WithinReach
from benchd.devices import Axis, Clock
from benchd.errors import BenchdError, Refused
from benchd.files.edited_record import EditedRecord
from benchd.files.last_good import LAST_GOOD, keep_good
from benchd.files.loading import LoadedBench, records_with, reload_records
from benchd.files.problems import FileProblems
from benchd.files.record_changes import Change, Stamps, differences, stamps_of
from benchd.files.record_text import with_values
from benchd.files.records_folder import Kind, Records
from benchd.records.store import Store

_log = structlog.get_logger("benchd.records")

LOOK_S = 1.0
"""A file is read once it has stood unchanged for so long: an editor may write it in parts."""
QUIET_S = 0.5
"""The same where somebody waits for it."""
CATCH_UP_S = 1.5


class RecordsInForce:
    """`used` names what the job under way uses; nothing where there is none. `run` watches the files.

    `carriage` is the axis whose travel every lens has to be within reach of.
    """

    def __init__(
        self,
        loaded: LoadedBench,
        setup: CurrentSetup,
        store: Store,
        events: Events,
        clock: Clock,
        jobs: Jobs,
        carriage: Axis,
        used: Callable[[], Collection[str]],
    ) -> None:
        self._loaded = loaded
        self._setup = setup
        self._store = store
        self._events = events
        self._clock = clock
        self._jobs = jobs
        self._carriage = carriage
        self._used = used
        self._one_at_a_time = asyncio.Lock()
        self._folder = loaded.folder / loaded.file.records
        self._read: Stamps | None = None
        self._waits: Stamps | None = None
        """Files that were read and wait for the job under way to end."""
        self._seen: Stamps = {}
        self._told = ""
        self._catching_up: asyncio.Task[None] | None = None

    async def run(self) -> None:
        """Look at the files until cancelled."""
        while True:
            before, self._seen = self._seen, await asyncio.to_thread(stamps_of, self._folder)
            if self._seen == before:
                await self._read_anew(self._seen)
            await self._clock.sleep(LOOK_S)

    async def catch_up(self) -> None:
        """Have in force what the files say now: before anything is driven or set up by them.

        Files that do not answer in time, or are still written to, are left to `run`: what was in force counts till
        then.
        """
        if self._catching_up is None or self._catching_up.done():
            self._catching_up = asyncio.create_task(self._catch_up(), name="catch up with records")
        done, _ = await asyncio.wait({self._catching_up}, timeout=CATCH_UP_S)
        if done:
            self._catching_up.result()

    async def _catch_up(self) -> None:
        self._seen = await self._quiet()
        await self._read_anew(self._seen)

    async def _quiet(self) -> Stamps:
        """The files as they stand once nobody writes to them: half of one may read well, and say something else."""
        before, now = None, await asyncio.to_thread(stamps_of, self._folder)
        while self._read is not None and now not in (before, self._read, self._waits):
            await self._clock.sleep(QUIET_S)
            before, now = now, await asyncio.to_thread(stamps_of, self._folder)
        return now

    async def _read_anew(self, stamps: Stamps) -> None:
        async with self._one_at_a_time:
            if stamps == self._read or (stamps == self._waits and self._jobs.kind is not None):
                return
            try:
                records = await asyncio.to_thread(self._checked, lambda: reload_records(self._loaded))
                if await asyncio.to_thread(stamps_of, self._folder) != stamps:
                    return  # written to meanwhile, and perhaps read in part
                await self._put_in_force(records)
            except FileProblems as problems:
                self._read = stamps
                self._tell_once(problems)
            except BenchdError as error:  # it is looked at again, as it may come into force later
                self._waits = stamps
                self._tell_once(error)
            else:
                self._read, self._told = stamps, ""

    def _tell_once(self, error: BenchdError) -> None:
        if error.text != self._told:
            self._told = error.text
            _log.warning("what was in force stays so", why=error.text)
            advice = f"{error.advice} What was in force stays so.".strip()
            self._events.tell(error.code, error.text, severity="warning", advice=advice, data=error.data)

    def _checked(self, read: Callable[[], Records]) -> Records:
        """What is read, if every lens is within the carriage's reach as `up` demands it. Raises FileProblems."""
        records = read()
        loaded = LoadedBench(self._loaded.file, self._loaded.source, records)
        if problems := WithinReach(loaded, self._carriage.spec).problems():
            raise FileProblems(problems)
        return records

    def values(self, kind: Kind, record_id: str) -> dict[str, Any]:
        """A record in force, as its file states it. Raises Refused('unknown_name')."""
        record = self._loaded.records.look_up(kind, record_id)
        return dict(record.model_dump(mode="json", exclude_unset=True))

    async def write(
        self,
        kind: Kind,
        record_id: str,
        values: Mapping[str, Any],
        *,
        new: bool = False,
        was: Mapping[str, Any] = {},
        by: str,
        own: bool = False,
    ) -> dict[str, Any]:
        """Set values of a record, or make a new one; gives its file, what has changed, and the set-up's revision.

        `new`: there must be none of that id. `was` are values that must still stand. `own`: a step of the run under way
        asks, which may change what it uses itself.

        Raises Refused (bad_request with file, line and key; rev_conflict; busy where a job uses it; what the set-up
        forbids), BenchdError (disk_full, device_fault); then nothing is written.
        """
        if values.get(kind, record_id) != record_id:
            text = f"The id of {kind} {record_id} stays as it is: runs and findings go by it."
            raise Refused("bad_request", text, advice="Begin a record of another id.")
        async with self._one_at_a_time:
            try:
                async with asyncio.timeout(CATCH_UP_S):
                    await self._quiet()
            except TimeoutError:
                raise Refused("busy", "Records are being written just now.", advice="Ask again.") from None
            # A cancellation must not leave file and records apart.
            writing = asyncio.create_task(
                self._write(kind, record_id, values, new, was, by, own), name="write a record"
            )
            path, changes = await asyncio.shield(writing)
        told = [str(change) for change in changes]
        return {"file": _seen_from(self._loaded.folder, path), "changes": told, "rev": self._setup.document.rev}

    async def _write(
        self,
        kind: Kind,
        record_id: str,
        values: Mapping[str, Any],
        new: bool,
        was: Mapping[str, Any],
        by: str,
        own: bool,
    ) -> tuple[Path, Collection[Change]]:
        """What needs room on the disk comes first, and what may be refused; the file changes last."""
        async with self._alone():
            edited = await asyncio.to_thread(EditedRecord, self._folder, self._loaded.records, kind, record_id)
            self._require_as_it_was(kind, record_id, new, was)
            text = with_values(edited.text, kind, record_id, values)
            records = await asyncio.to_thread(self._checked, lambda: records_with(self._loaded, edited.path, text))
            changes = differences(self._loaded.records, records)
            self._require_may(changes, records, own=own)
            await asyncio.to_thread(edited.begin, text)
            known, self._read = self._read, None  # whatever comes of it, the file is looked at again
            try:
                await self._count_with(changes, records)
                written = await asyncio.to_thread(edited.finish)
            except BaseException:
                edited.drop()
                raise
            if known is not None and written is not None:
                self._read = {**known, str(edited.path): written}
        if changes:
            await self._tell(changes, by)
        return edited.path, changes

    def _require_as_it_was(self, kind: Kind, record_id: str, new: bool, was: Mapping[str, Any]) -> None:
        known = self._loaded.records.of(kind).get(record_id)
        if new and known is not None:
            text = f"There is a record of {kind} {record_id} already."
            raise Refused("bad_request", text, advice="Change that one, or give the new one another id.")
        stands = {} if known is None else known.model_dump(mode="json")
        if other := [key for key, value in was.items() if stands.get(key) != value]:
            text = f"{', '.join(other)} of {kind} {record_id} has been changed meanwhile."
            raise Refused(
                "rev_conflict", text, advice="Look at it again.", data={key: stands.get(key) for key in other}
            )

    async def _put_in_force(self, records: Records) -> None:
        """All at once, where nothing speaks against it. Raises Refused, BenchdError."""
        async with self._alone():
            changes = differences(self._loaded.records, records)
            self._require_may(changes, records)
            await self._count_with(changes, records)
        if changes:
            await self._tell(changes, None)

    @asynccontextmanager
    async def _alone(self) -> AsyncIterator[None]:
        """No job begins inside the block, and the set-up is not changed by anybody else."""
        with self._jobs.none_begins("a record that is changed"):
            async with self._setup.changing:
                yield

    def _require_may(self, changes: Collection[Change], records: Records, *, own: bool = False) -> None:
        """Raise Refused where something speaks against these changes."""
        if not own:
            self._require_free(changes)
        if self._standing(changes):
            self._require_standing(records)

    async def _count_with(self, changes: Collection[Change], records: Records) -> None:
        """From now on these are in force."""
        if self._standing(changes):
            await self._setup.count_with(records)
        else:
            self._loaded.records = records  # of comments alone the lines may have changed

    async def _tell(self, changes: Collection[Change], by: str | None) -> None:
        text = "; ".join(map(str, changes))
        data = {"changes": [asdict(one) for one in changes], "by": by}
        self._events.tell("records", f"{text[:1].upper()}{text[1:]}.", data=data)
        _log.info("in force", what=text)
        with suppress(OSError):  # the copies are a convenience; a full disk is told by the record
            await asyncio.to_thread(keep_good, self._loaded, self._loaded.folder / LAST_GOOD)
        lens = self._setup.document.lens
        if lens is not None and any((one.kind, one.record_id) == ("lens", lens) for one in changes):
            with suppress(BenchdError):  # it is kept again with the next set-up
                await self._store.put_lens(lens, self._loaded.records.lens(lens).model_dump(mode="json"))

    def _require_free(self, changes: Collection[Change]) -> None:
        """Raise Refused('busy') where the job under way uses what has changed."""
        used = set(self._used())
        used |= {str(lens.designed_for_glass) for name, lens in self._loaded.records.lenses.items() if name in used}
        if names := sorted({change.record_id for change in changes if change.record_id in used}):
            raise Refused(
                "busy",
                f"The '{self._jobs.kind}' under way uses {' and '.join(names)}: a record changes when that has ended.",
                advice="Wait until it has ended, or stop it.",
                data={"records": names},
            )

    def _standing(self, changes: Collection[Change]) -> bool:
        """Whether what stands on the bench has changed."""
        setup = self._setup.document
        lens = () if setup.lens is None else (setup.lens,)
        stands: dict[Kind, Collection[str]] = {"lens": lens, "adapter": setup.adapters, "glass": setup.glass}
        return any(change.record_id in stands.get(change.kind, ()) for change in changes)

    def _require_standing(self, records: Records) -> None:
        """Raise Refused where what stands on the bench could not stand there by these records."""
        try:
            self._setup.check_stands(records)
        except Refused as refused:
            text = f"{refused.text} It stands on the bench by the set-up in force."
            advice = "Put the record right, or take it out of the set-up first."
            raise Refused(refused.code, text, advice=advice, data=refused.data) from refused


def _seen_from(folder: Path, path: Path) -> str:
    return str(path.relative_to(folder) if path.is_relative_to(folder) else path)
