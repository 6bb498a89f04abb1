"""Additions to the record: functions of a connection inside a transaction of the writer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple
from typing import Any

from sqlalchemy import Connection, Table, func, select
from sqlalchemy.dialects.sqlite import insert

from benchd.errors import BenchdError
from benchd.records import queries, schema
from benchd.records.values import Calibration, Doc, ReadingRow, Run, RunState, name_of, row_of


def add(connection: Connection, table: Table, at: str, **columns: Any) -> int:
    """Add one row; gives its number."""
    result = connection.execute(insert(table).values(at=at, **columns))
    assert result.inserted_primary_key is not None
    return int(result.inserted_primary_key[0])


def add_readings(connection: Connection, at: str, rows: Sequence[ReadingRow]) -> None:
    """Add readings. A row that exists unchanged is skipped, as after an interrupted flush.

    Raises BenchdError (`duplicate`) if a row exists with other values; nothing is added then.
    """
    columns = [{**row.as_json(), "run": row_of("run", row.run), "at": at} for row in rows]
    keys = ["run", "idx", "device", "channel"]
    result = connection.execute(insert(schema.reading).on_conflict_do_nothing(index_elements=keys), columns)
    if result.rowcount == len(rows):
        return
    there = {_place(row): row for run in {row.run for row in rows} for row in queries.readings(connection, run)}
    for row in rows:
        if astuple(there[_place(row)]) != astuple(row):
            text = (
                f"Reading {row.idx} of {row.run} ({row.device} {row.channel}) stands in the record with other values."
            )
            raise BenchdError("duplicate", text.replace(" )", ")"))


def _place(row: ReadingRow) -> tuple[str, int, str, str]:
    return (row.run, row.idx, row.device, row.channel)


def add_file(connection: Connection, at: str, sha: str, name: str, content: bytes) -> None:
    """Keep a file by the SHA-256 of its bytes; the same bytes are kept once, under their first name."""
    row = insert(schema.file).values(at=at, sha=sha, name=name, bytes=content)
    connection.execute(row.on_conflict_do_nothing(index_elements=["sha"]))


def end_run(connection: Connection, at: str, name: str, state: RunState) -> None:
    """Close a run, once; the same end again is ignored. Raises BenchdError (`unknown_name`, `bad_request`)."""
    table = schema.run
    still_open = (table.c.id == row_of("run", name)) & table.c.ended.is_(None)
    if connection.execute(table.update().where(still_open).values(state=state, ended=at)).rowcount:
        return
    ended = queries.run(connection, name)
    if ended.state != state:
        raise BenchdError("bad_request", f"The run {name} ended as {ended.state} at {ended.ended}; that is kept.")


def close_abandoned(connection: Connection, at: str) -> tuple[Run, ...]:
    """End the runs that a daemon left open when it died as failed. Only for the sole writer, before its first run."""
    table = schema.run
    left = [
        name_of("run", row) for row in connection.execute(select(table.c.id).where(table.c.ended.is_(None))).scalars()
    ]
    for name in left:
        end_run(connection, at, name, "failed")
    return tuple(queries.run(connection, name) for name in left)


def add_finding(connection: Connection, at: str, doc: Doc) -> str:
    """Add a finding's document, its number written into it. Raises BenchdError (`unknown_name`) for its run."""
    queries.run(connection, doc["run"])
    # One writer in one transaction: the next number is known before the row, so that the document can carry it.
    row = (connection.execute(select(func.max(schema.finding.c.id))).scalar() or 0) + 1
    name = name_of("finding", row)
    add(
        connection,
        schema.finding,
        at,
        id=row,
        run=row_of("run", doc["run"]),
        assessment=doc["assessment"],
        lens=doc["lens"],
        doc={**doc, "finding": name},
    )
    return name


def add_calibration(connection: Connection, at: str, given: Calibration) -> str:
    """Add a calibration; its own `calibration` and `at` are ignored. Raises BenchdError (`unknown_name`)."""
    if given.finding is not None:
        queries.finding(connection, given.finding)
    row = add(
        connection,
        schema.calibration,
        at,
        artefact=given.artefact,
        value=given.value,
        u=given.u,
        unit=given.unit,
        at_C=given.at_C,
        dof=given.dof,
        points=list(given.points),
        finding=None if given.finding is None else row_of("finding", given.finding),
        valid_until=given.valid_until,
        by=given.by,
        why=given.why,
    )
    return name_of("calibration", row)


def put_lens(connection: Connection, at: str, code: str, doc: Doc) -> None:
    """Keep the lens's record, replacing the last one."""
    row = insert(schema.lens).values(at=at, code=code, doc=doc)
    connection.execute(row.on_conflict_do_update(index_elements=["code"], set_={"at": at, "doc": row.excluded.doc}))
