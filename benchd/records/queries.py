"""Queries of the record: functions of a connection, shared by the writer and by readers beside it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, func, select

from benchd.assessments.earlier_schemas import upgrade_finding
from benchd.records import schema
from benchd.records.values import (
    BARREL_VIEW,
    BarrelPicture,
    Calibration,
    Event,
    ReadingRow,
    Run,
    SetUp,
    name_of,
    row_of,
    unknown,
)


def readings(connection: Connection, run: str) -> list[ReadingRow]:
    """The readings of a run in the order of their index."""
    table = schema.reading
    rows = connection.execute(
        select(table).where(table.c.run == row_of("run", run)).order_by(table.c.idx, table.c.device, table.c.channel)
    )
    return [reading_of(row) for row in rows]


def reading_of(row: Row[Any]) -> ReadingRow:
    """A row of `reading` as a ReadingRow."""
    columns = dict(row._mapping)
    del columns["id"], columns["at"]
    columns["run"] = name_of("run", columns["run"])
    return ReadingRow(**columns)


def run(connection: Connection, name: str) -> Run:
    """One run. Raises BenchdError (`unknown_name`)."""
    row = connection.execute(select(schema.run).where(schema.run.c.id == row_of("run", name))).first()
    if row is None:
        raise unknown("run", name)
    return _run_of(row)


def runs(connection: Connection, lens: str | None, limit: int) -> list[Run]:
    """The last runs, newest first; only those of `lens` if given."""
    table = schema.run
    chosen = select(table).order_by(table.c.id.desc()).limit(limit)
    if lens is not None:
        chosen = chosen.where(table.c.lens == lens)
    return [_run_of(row) for row in connection.execute(chosen)]


def _run_of(row: Row[Any]) -> Run:
    columns = dict(row._mapping)
    del columns["at"]
    return Run(run=name_of("run", columns.pop("id")), **columns)


def finding(connection: Connection, name: str) -> dict[str, Any]:
    """The document of one finding. Raises BenchdError (`unknown_name`)."""
    chosen = select(schema.finding.c.doc).where(schema.finding.c.id == row_of("finding", name))
    doc: dict[str, Any] | None = connection.execute(chosen).scalar()
    if doc is None:
        raise unknown("finding", name)
    return upgrade_finding(doc)


def findings(
    connection: Connection, *, run: str | None, lens: str | None, assessment: str | None, limit: int
) -> list[dict[str, Any]]:
    """Finding documents, newest first; only those of a run, a lens, an assessment, if given."""
    table = schema.finding
    chosen: Select[Any] = select(table.c.doc).order_by(table.c.id.desc()).limit(limit)
    if run is not None:
        chosen = chosen.where(table.c.run == row_of("run", run))
    if lens is not None:
        chosen = chosen.where(table.c.lens == lens)
    if assessment is not None:
        chosen = chosen.where(table.c.assessment == assessment)
    return [upgrade_finding(doc) for (doc,) in connection.execute(chosen)]


def assessments(connection: Connection) -> list[str]:
    """The assessments with findings, sorted."""
    return sorted(connection.execute(select(schema.finding.c.assessment).distinct()).scalars())


def lenses_found(connection: Connection) -> set[tuple[str, str]]:
    """Each assessment with each lens that it has a finding of."""
    table = schema.finding
    chosen = select(table.c.assessment, table.c.lens).where(table.c.lens.is_not(None)).distinct()
    return {(assessment, lens) for assessment, lens in connection.execute(chosen)}


def calibration(connection: Connection, name: str) -> Calibration:
    """One calibration, in force or not. Raises BenchdError (`unknown_name`)."""
    table = schema.calibration
    row = connection.execute(select(table).where(table.c.id == row_of("calibration", name))).first()
    if row is None:
        raise unknown("calibration", name)
    return _calibration_of(row)


def calibrations_in_force(connection: Connection, now: str, *, withdrawn: bool = False) -> dict[str, Calibration]:
    """The newest calibration of each artefact, unless it is a withdrawal or was valid until before `now` (RFC 3339).

    An older one never takes its place again: it was replaced for a reason. With `withdrawn` the withdrawals as well.
    """
    table = schema.calibration
    newest = select(func.max(table.c.id)).group_by(table.c.artefact)
    rows = connection.execute(select(table).where(table.c.id.in_(newest)).order_by(table.c.artefact))
    found = [_calibration_of(row) for row in rows]
    return {c.artefact: c for c in found if (withdrawn or c.value is not None) and not _past(c.valid_until, now)}


def _past(until: str | None, now: str) -> bool:
    return until is not None and _instant(until) < _instant(now)


def _instant(text: str) -> datetime:
    instant = datetime.fromisoformat(text)
    return instant if instant.tzinfo else instant.replace(tzinfo=UTC)


def _calibration_of(row: Row[Any]) -> Calibration:
    columns = dict(row._mapping)
    found = columns.pop("finding")
    return Calibration(
        calibration=name_of("calibration", columns.pop("id")),
        finding=None if found is None else name_of("finding", found),
        points=tuple(columns.pop("points")),
        **columns,
    )


def setup(connection: Connection, rev: int | None) -> SetUp | None:
    """The set-up of a revision, or the last one; None if there is none."""
    table = schema.setup
    chosen = select(table.c.rev, table.c.doc, table.c.chain, table.c.at).order_by(table.c.rev.desc()).limit(1)
    if rev is not None:
        chosen = chosen.where(table.c.rev == rev)
    row = connection.execute(chosen).first()
    return None if row is None else SetUp(*row)


def lens_since(connection: Connection, lens: str | None) -> int:
    """One more than the last revision of a set-up with a lens other than this."""
    table = schema.setup
    others = table.c.doc["lens"].as_string().is_distinct_from(lens)
    return int(connection.execute(select(func.max(table.c.rev)).where(others)).scalar() or 0) + 1


def adapters_since(connection: Connection, adapters: Sequence[str]) -> int:
    """One more than the last revision of a set-up with other adapters than these."""
    table = schema.setup
    rows = connection.execute(select(table.c.rev, table.c.doc["adapters"]).order_by(table.c.rev.desc()))
    return next((int(rev) + 1 for rev, stood in rows if list(stood or ()) != list(adapters)), 0)


def lens(connection: Connection, code: str) -> dict[str, Any]:
    """The record of one lens. Raises BenchdError (`unknown_name`)."""
    doc: dict[str, Any] | None = connection.execute(
        select(schema.lens.c.doc).where(schema.lens.c.code == code)
    ).scalar()
    if doc is None:
        raise unknown("lens", code)
    return doc


def lenses(connection: Connection) -> Sequence[str]:
    """The codes of all lenses on record."""
    return connection.execute(select(schema.lens.c.code).order_by(schema.lens.c.code)).scalars().all()


def events(connection: Connection, limit: int) -> list[Event]:
    """The last events, oldest of them first."""
    return [Event(*row) for row in connection.execute(_events().limit(limit))][::-1]


def last_event(connection: Connection, codes: Sequence[str]) -> Event | None:
    """The last event with one of these codes; None if there is none."""
    row = connection.execute(_events().where(schema.event.c.code.in_(codes)).limit(1)).first()
    return None if row is None else Event(*row)


def record_changes(connection: Connection, record_id: str) -> list[Event]:
    """The events that tell of changes of a lens's, adapter's, glass's or reference's record, oldest first."""
    found = connection.execute(_events().where(schema.event.c.code == "records"))
    told = [Event(*row) for row in found][::-1]
    return [event for event in told if any(one["record_id"] == record_id for one in event.data.get("changes", ()))]


def why_ended_early(connection: Connection, run: str) -> Event | None:
    """The event saying why a run ended early; None if it did not, or the record does not say."""
    table = schema.event
    failed = (table.c.data["run"].as_string() == run) & (table.c.severity != "info")
    left = (table.c.code == "abandoned") & table.c.text.startswith(f"Run {run} ", autoescape=True)
    row = connection.execute(_events().where(failed | left).limit(1)).first()
    return None if row is None else Event(*row)


def barrel_pictures(connection: Connection, run: str) -> list[BarrelPicture]:
    """The pictures of the barrel of a run, and those that were missed, in the order in which they were told."""
    table = schema.event
    chosen = _events().where((table.c.code == BARREL_VIEW) & (table.c.data["of"].as_string() == run))
    told = [Event(*row) for row in connection.execute(chosen)][::-1]
    return [
        BarrelPicture(
            moment=str(one.data["moment"]),
            file=one.data["file"],
            name=one.data["name"],
            taken=one.data["taken"],
            said=f"{one.text} {one.advice}".strip(),
        )
        for one in told
    ]


def file(connection: Connection, sha: str) -> bytes:
    """The bytes of a kept file. Raises BenchdError (`unknown_name`)."""
    content = connection.execute(select(schema.file.c.bytes).where(schema.file.c.sha == sha)).scalar()
    if content is None:
        raise unknown("file", sha)
    return bytes(content)


def times_of(connection: Connection, run: str) -> Event | None:
    """The event saying where a run's time went; None if the record does not say."""
    table = schema.event
    chosen = _events().where((table.c.code == "times") & (table.c.data["run"].as_string() == run)).limit(1)
    row = connection.execute(chosen).first()
    return None if row is None else Event(*row)


def _events() -> Select[Any]:
    table = schema.event
    columns = table.c.at, table.c.code, table.c.severity, table.c.text, table.c.advice, table.c.cause, table.c.data
    return select(*columns).order_by(table.c.id.desc())
