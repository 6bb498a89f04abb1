"""The daemon's interface to the record: asynchronous, every write acknowledged only after it is on disk.

    store = await Store.open("sqlite:///bench.db", folder_of_bench_file, clock)
    run = await store.add_run("flange_check", ...)        # 'r-0001'
    await store.add_readings(rows)                        # returns after commit
    await store.close()

Every method may raise BenchdError: `disk_full` if there is no space (what was acknowledged is kept, and the next write
is tried again), `device_fault` if the file fails otherwise. A cancelled call loses no row: submitted work is carried
out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection

from benchd.assessments.finding import Finding
from benchd.devices.clock import Clock
from benchd.errors import BenchdError
from benchd.records import additions, queries, schema, upgrade
from benchd.records.engine import as_benchd_error, database_path, open_engine
from benchd.records.lock import WriterLock
from benchd.records.values import Calibration, Doc, Event, ReadingRow, Run, RunState, SetUp, name_of
from benchd.records.writer import Writer

T = TypeVar("T")


class Store:
    """An open record. `abandoned`: the runs that a crashed daemon left open; `backup`: the file kept at a migration."""

    def __init__(self, path: Path, clock: Clock, lock: WriterLock, writer: Writer) -> None:
        self.path = path
        self.abandoned: tuple[Run, ...] = ()
        self.backup: Path | None = None
        self._clock = clock
        self._lock = lock
        self._writer = writer
        self._unwritten_ends: dict[str, tuple[str, RunState]] = {}
        """Of runs that ended while nothing could be written: when, and how; written before the next one begins."""

    @classmethod
    async def open(cls, url: str, base: Path, clock: Clock) -> Store:
        """Open or create the record of `url` (relative to the folder `base`), migrate an older one, take the lock.

        Raises BenchdError: `bad_request` for a URL or file that is no record, or one of a newer schema; `busy` if
        another program writes to it.
        """
        path = database_path(url, base)
        try:
            lock = WriterLock(path)
        except OSError as error:
            raise as_benchd_error(error, path) from error
        store = cls(path, clock, lock, Writer(path))
        try:
            await store._writer.start(store._connect)
            store.abandoned = await store._writer.do(lambda c: additions.close_abandoned(c, clock.utc()))
        except BaseException:
            await store.close()
            raise
        return store

    def _connect(self) -> Connection:
        connection = open_engine(self.path).connect()
        try:
            self.backup = upgrade.bring_up_to_date(connection, self.path, self._clock.utc())
        except BaseException:
            connection.close()
            raise
        return connection

    async def close(self) -> None:
        """Finish submitted work, end the thread, release the lock. Idempotent.

        If cancelled while the thread still writes, the lock is kept until the process ends.
        """
        try:
            if self._unwritten_ends and not self._writer.ended:
                with suppress(BenchdError):  # then they are closed as failed when the record is opened next
                    await self._write_ends()
            await self._writer.close()
        finally:
            if self._writer.ended:
                self._lock.release()

    async def _do(self, work: Callable[[Connection], T]) -> T:
        return await self._writer.do(work)

    # Runs and readings

    async def add_run(
        self,
        procedure: str,
        *,
        text_sha: str,
        inputs: Doc,
        setup: int | None,
        lens: str | None,
        job: str | None,
        user: str,
    ) -> str:
        """A run begins; gives its id. `text_sha`: SHA-256 of the procedure's text; `setup`: rev of the set-up."""
        at = self._clock.utc()
        columns = {"procedure": procedure, "text_sha": text_sha, "inputs": dict(inputs), "setup": setup, "lens": lens}
        columns |= {"job": job, "user": user, "state": "running", "began": at, "ended": None}
        if self._unwritten_ends:
            await self._write_ends()
        return name_of("run", await self._do(lambda c: additions.add(c, schema.run, at, **columns)))

    async def end_run(self, run: str, state: RunState) -> None:
        """A run ends, once. Raises BenchdError (`unknown_name`; `bad_request` if it has ended in another state).

        What cannot be written for want of room (`disk_full`) is, before the next run begins."""
        self._unwritten_ends[run] = self._clock.utc(), state
        await self._write_ends()

    async def _write_ends(self) -> None:
        """Raises BenchdError: `disk_full` at the first that finds no room, else that of the last that is refused."""
        refused: BenchdError | None = None
        for run, (at, state) in list(self._unwritten_ends.items()):
            try:
                await self._do(partial(additions.end_run, at=at, name=run, state=state))
            except BenchdError as error:
                if error.code == "disk_full":
                    raise
                refused = error
            self._unwritten_ends.pop(run, None)
        if refused is not None:
            raise refused

    async def run(self, run: str) -> Run:
        """One run. Raises BenchdError (`unknown_name`)."""
        return await self._do(lambda c: queries.run(c, run))

    async def add_readings(self, rows: Sequence[ReadingRow]) -> None:
        """Add readings, all or none; returns after commit. Rows that exist already are skipped.

        Raises BenchdError: `duplicate` if another value exists for the same run, index, device and channel.
        """
        if not rows:
            return
        at = self._clock.utc()
        kept = tuple(rows)
        await self._do(lambda c: additions.add_readings(c, at, kept))

    async def readings(self, run: str) -> list[ReadingRow]:
        """The readings of a run in the order of their index."""
        return await self._do(lambda c: queries.readings(c, run))

    # Files

    async def add_file(self, sha: str, name: str, content: bytes) -> None:
        """Keep a file by the SHA-256 of its bytes; the same bytes are kept once."""
        at = self._clock.utc()
        await self._do(lambda c: additions.add_file(c, at, sha, name, content))

    # Findings

    async def add_finding(self, doc: Finding | Mapping[str, Any]) -> str:
        """Add a finding; gives its id, which is also written into the document."""
        at = self._clock.utc()
        plain = doc.as_json() if isinstance(doc, Finding) else Finding.from_json(dict(doc)).as_json()
        return await self._do(lambda c: additions.add_finding(c, at, plain))

    async def finding(self, finding: str) -> dict[str, Any]:
        """One finding's document. Raises BenchdError (`unknown_name`)."""
        return await self._do(lambda c: queries.finding(c, finding))

    async def assessments(self) -> list[str]:
        """The assessments with findings, sorted."""
        return await self._do(queries.assessments)

    async def findings(
        self, *, run: str | None = None, lens: str | None = None, assessment: str | None = None, limit: int = 100
    ) -> list[dict[str, Any]]:
        """Finding documents, newest first."""
        return await self._do(lambda c: queries.findings(c, run=run, lens=lens, assessment=assessment, limit=limit))

    async def lenses_found(self) -> set[tuple[str, str]]:
        """Each assessment with each lens that it has a finding of."""
        return await self._do(queries.lenses_found)

    # Calibrations

    async def add_calibrations(self, given: Sequence[Calibration]) -> list[str]:
        """Put calibrations in force, replacing their artefacts' last ones, all or none; gives their ids.

        Their own `calibration` and `at` are ignored. Raises BenchdError (`unknown_name`) for a finding.
        """
        at = self._clock.utc()
        return await self._do(lambda c: [additions.add_calibration(c, at, calibration) for calibration in given])

    async def calibration(self, calibration: str) -> Calibration:
        """One calibration, in force or not. Raises BenchdError (`unknown_name`)."""
        return await self._do(lambda c: queries.calibration(c, calibration))

    async def calibrations_in_force(self, now: str, *, withdrawn: bool = False) -> dict[str, Calibration]:
        """By artefact: the newest, unless it was withdrawn or its validity ended before `now` (RFC 3339)."""
        return await self._do(lambda c: queries.calibrations_in_force(c, now, withdrawn=withdrawn))

    # Set-ups, events, lenses

    async def add_setup(self, rev: int, doc: Doc, chain: Sequence[Doc]) -> None:
        """Add a set-up document and its chain. Raises BenchdError (`bad_request`: the rev exists)."""
        at = self._clock.utc()
        columns = {"rev": rev, "doc": dict(doc), "chain": [dict(term) for term in chain]}
        await self._do(lambda c: additions.add(c, schema.setup, at, **columns))

    async def setup(self, rev: int) -> SetUp:
        """The set-up of a revision. Raises BenchdError (`unknown_name`)."""
        found = await self._do(lambda c: queries.setup(c, rev))
        if found is None:
            raise BenchdError("unknown_name", f"The record holds no set-up {rev}.")
        return found

    async def last_setup(self) -> SetUp | None:
        """The set-up of the highest revision."""
        return await self._do(lambda c: queries.setup(c, None))

    async def lens_since(self, lens: str | None) -> int:
        """The first revision since which every set-up in the record has `lens` (None: no lens), at least 1."""
        return await self._do(lambda c: queries.lens_since(c, lens))

    async def adapters_since(self, adapters: Sequence[str]) -> int:
        """One more than the last revision of a set-up with other adapters than these."""
        return await self._do(lambda c: queries.adapters_since(c, adapters))

    async def add_event(
        self,
        code: str,
        severity: str,
        text: str,
        *,
        advice: str = "",
        cause: str | None = None,
        data: Doc | None = None,
    ) -> None:
        """Add an event."""
        at = self._clock.utc()
        columns = {"code": code, "severity": severity, "text": text, "advice": advice, "cause": cause}
        await self._do(lambda c: additions.add(c, schema.event, at, **columns, data=dict(data or {})))

    async def events(self, limit: int = 100) -> list[Event]:
        """The last events, in the order in which they happened."""
        return await self._do(lambda c: queries.events(c, limit))

    async def last_event(self, *codes: str) -> Event | None:
        """The last event with one of these codes; None if there is none."""
        return await self._do(lambda c: queries.last_event(c, codes))

    async def put_lens(self, code: str, doc: Doc) -> None:
        """Keep a lens's record, replacing the last one."""
        at = self._clock.utc()
        await self._do(lambda c: additions.put_lens(c, at, code, dict(doc)))

    async def lens(self, code: str) -> dict[str, Any]:
        """A lens's record. Raises BenchdError (`unknown_name`)."""
        return await self._do(lambda c: queries.lens(c, code))
