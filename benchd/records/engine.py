"""Finding and opening the record's file: URL, pragmas, and the mapping of its errors to BenchdError."""

from __future__ import annotations

import errno
import json
import sqlite3
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.exc import DBAPIError, IntegrityError, SQLAlchemyError, StatementError
from sqlalchemy.pool import NullPool

from benchd.errors import BenchdError
from benchd.files.bench_file import store_path

_ADVICE_FULL = "Free some space on that disk; what was acknowledged is kept, and writing goes on from there."


def database_path(url: str, base: Path) -> Path:
    """The file of a store URL; relative paths start at `base`. Raises BenchdError (`bad_request`)."""
    try:
        return (base / store_path(url)).resolve()
    except ValueError as error:
        advice = 'Write for example "sqlite:///bench.db".'
        raise BenchdError("bad_request", f"{url!r} is not the URL of an SQLite file.", advice=advice) from error


def open_engine(path: Path, *, read_only: bool = False, immutable: bool = False) -> Engine:
    """An engine on one SQLite file: WAL, synchronous FULL, foreign keys on, transactions that begin with BEGIN.

    `immutable` reads a file that no process has open, in a folder without write permission.
    """
    if read_only:
        flags = "mode=ro&immutable=1" if immutable else "mode=ro"
        url = f"sqlite:///file:{quote(str(path))}?{flags}&uri=true"
    else:
        url = f"sqlite:///{path}"
    engine = create_engine(url, poolclass=NullPool, json_serializer=_to_json, connect_args={"timeout": 5.0})

    @event.listens_for(engine, "connect")
    def _connect(connection: sqlite3.Connection, _record: object) -> None:
        # By default the driver begins transactions itself, and never before a change of tables.
        connection.isolation_level = None
        connection.execute("PRAGMA busy_timeout = 5000")
        connection.execute("PRAGMA foreign_keys = ON")
        if not read_only:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def _begin(connection: Any) -> None:
        connection.exec_driver_sql("BEGIN" if read_only else "BEGIN IMMEDIATE")

    return engine


def _to_json(value: Any) -> str:
    return json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def as_benchd_error(error: SQLAlchemyError | OSError, path: Path) -> BenchdError:
    """The BenchdError for a database or file error; the only place where they are mapped. The caller chains it."""
    if isinstance(error, OSError):
        full = error.errno in (errno.EFBIG, errno.ENOSPC, errno.EDQUOT)
        return _disk_full(path) if full else _unusable_file(path, str(error))
    if isinstance(error, DBAPIError):
        return _sqlite_error(error, path)
    if isinstance(error, StatementError) and isinstance(error.orig, ValueError):
        return BenchdError("bad_request", "A document for the record holds a number that is not finite.")
    return _unusable_file(path, str(error))


def _sqlite_error(error: DBAPIError, path: Path) -> BenchdError:
    code = getattr(error.orig, "sqlite_errorcode", 0)
    primary = code & 0xFF
    # SQLite reports a file-size limit or quota as a failed write, a full disk as such.
    if primary == sqlite3.SQLITE_FULL or code in (sqlite3.SQLITE_IOERR_WRITE, sqlite3.SQLITE_IOERR_FSYNC):
        return _disk_full(path)
    if primary == sqlite3.SQLITE_BUSY:
        text = f"Another program holds the record {path} and has not let go for 5 s."
        return BenchdError("busy", text, advice="End the program that has it open for writing.")
    if isinstance(error, IntegrityError):
        return BenchdError("bad_request", f"The record does not take this row: {error.orig}.")
    return _unusable_file(path, str(error.orig))


def _disk_full(path: Path) -> BenchdError:
    return BenchdError(
        "disk_full", f"No room to write to the record {path}.", advice=_ADVICE_FULL, data={"path": str(path)}
    )


def _unusable_file(path: Path, reason: str) -> BenchdError:
    text = f"The record {path} cannot be used: {reason}."
    return BenchdError("device_fault", text, advice="Check the file, its folder and their permissions.")
