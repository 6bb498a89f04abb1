"""Reads the record beside a running daemon, for the command line: never writes, never waits long for the writer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Self, TypeVar

from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError, SQLAlchemyError

from benchd.errors import BenchdError
from benchd.records import queries, schema, upgrade
from benchd.records.engine import as_benchd_error, database_path, open_engine
from benchd.records.values import BarrelPicture, Calibration, Event, ReadingRow, Run, SetUp

T = TypeVar("T")


class Reader:
    """An open record, read-only; a context manager. Methods raise BenchdError as the Store's do."""

    def __init__(self, path: Path, connection: Connection) -> None:
        self.path = path
        self._connection = connection

    @classmethod
    def open(cls, url: str, base: Path) -> Reader:
        """Open the record of `url` (relative to the folder `base`).

        Raises BenchdError (`bad_request`) if there is none, or its schema is not the present one.
        """
        path = database_path(url, base)
        if not path.is_file():
            raise BenchdError(
                "bad_request", f"There is no record at {path}.", advice="The daemon makes it when it starts."
            )
        try:
            reader = cls(path, _connect(path))
        except SQLAlchemyError as error:
            raise as_benchd_error(error, path) from error
        try:
            reader._check_schema()
        except BaseException:
            reader.close()
            raise
        return reader

    def _check_schema(self) -> None:
        revision = self._ask(upgrade.found_revision)
        if revision is not None:
            upgrade.refuse_newer(revision, self.path)
        if revision != schema.HEAD:
            text = f"The record {self.path} has schema {revision or 'none'}, older than this version's {schema.HEAD}."
            raise BenchdError(
                "bad_request", text, advice="Start the daemon once; it backs the record up and migrates it."
            )

    def close(self) -> None:
        """Close the file. Idempotent."""
        self._connection.close()
        self._connection.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _ask(self, work: Callable[[Connection], T]) -> T:
        try:
            with self._connection.begin():
                return work(self._connection)
        except SQLAlchemyError as error:
            raise as_benchd_error(error, self.path) from error

    def run(self, run: str) -> Run:
        """One run."""
        return self._ask(lambda c: queries.run(c, run))

    def runs(self, lens: str | None = None, limit: int = 20) -> list[Run]:
        """The last runs, newest first."""
        return self._ask(lambda c: queries.runs(c, lens, limit))

    def barrel_pictures(self, run: str) -> list[BarrelPicture]:
        """The pictures of the barrel of a run, and those that were missed."""
        return self._ask(lambda c: queries.barrel_pictures(c, run))

    def file(self, sha: str) -> bytes:
        """A kept file's bytes."""
        return self._ask(lambda c: queries.file(c, sha))

    def readings(self, run: str) -> list[ReadingRow]:
        """The readings of a run in the order of their index."""
        return self._ask(lambda c: queries.readings(c, run))

    def finding(self, finding: str) -> dict[str, Any]:
        """One finding's document."""
        return self._ask(lambda c: queries.finding(c, finding))

    def findings(
        self, *, run: str | None = None, lens: str | None = None, assessment: str | None = None, limit: int = 100
    ) -> list[dict[str, Any]]:
        """Finding documents, newest first."""
        return self._ask(lambda c: queries.findings(c, run=run, lens=lens, assessment=assessment, limit=limit))

    def calibration(self, calibration: str) -> Calibration:
        """One calibration, in force or not."""
        return self._ask(lambda c: queries.calibration(c, calibration))

    def calibrations_in_force(self, now: str, *, withdrawn: bool = False) -> dict[str, Calibration]:
        """By artefact: the newest that is neither withdrawn nor expired at `now` (RFC 3339)."""
        return self._ask(lambda c: queries.calibrations_in_force(c, now, withdrawn=withdrawn))

    def setup(self, rev: int | None = None) -> SetUp | None:
        """The set-up of a revision, or the last."""
        return self._ask(lambda c: queries.setup(c, rev))

    def lens(self, code: str) -> dict[str, Any]:
        """A lens's record."""
        return self._ask(lambda c: queries.lens(c, code))

    def lenses(self) -> Sequence[str]:
        """The codes of all lenses on record."""
        return self._ask(queries.lenses)

    def events(self, limit: int = 100) -> list[Event]:
        """The last events, in the order in which they happened."""
        return self._ask(lambda c: queries.events(c, limit))

    def record_changes(self, record_id: str) -> list[Event]:
        """The events that tell of changes of a record, oldest first."""
        return self._ask(lambda connection: queries.record_changes(connection, record_id))

    def times_of(self, run: str) -> Event | None:
        """The event saying where a run's time went; None if the record does not say."""
        return self._ask(lambda c: queries.times_of(c, run))

    def why_ended_early(self, run: str) -> Event | None:
        """The event saying why a run ended early; None if it did not, or the record does not say."""
        return self._ask(lambda c: queries.why_ended_early(c, run))


def refusal(path: Path) -> str:
    """Why this version cannot use the file at `path` as its record, in a sentence; empty if it can."""
    try:
        with Reader(path, _connect(path)) as reader:
            revision = reader._ask(upgrade.found_revision)
            if revision is not None:
                upgrade.refuse_newer(revision, path)
    except SQLAlchemyError as error:
        return f"a record: {as_benchd_error(error, path).text}"
    except BenchdError as error:
        return f"a record; {path} is none: {error.text}" if str(path) not in error.text else f"a record: {error.text}"
    return ""


def _connect(path: Path) -> Connection:
    connection = open_engine(path, read_only=True).connect()
    try:
        # The first query of a WAL file creates its index beside it, which fails in a folder without write permission.
        connection.exec_driver_sql("SELECT count(*) FROM sqlite_master")
        connection.rollback()
    except OperationalError:
        connection.close()
        if Path(f"{path}-wal").exists():
            raise
        return open_engine(path, read_only=True, immutable=True).connect()
    return connection
