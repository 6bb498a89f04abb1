"""The tables. Rows are added and never changed; only `lens`, `job` and the end of a `run` are overwritten.

The migrations create these tables; a test compares the two.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    UniqueConstraint,
)

HEAD = "0005"
"""The revision of these tables: the number of the last migration."""

metadata = MetaData()


def _table(name: str, *parts: Column[object] | UniqueConstraint | Index) -> Table:
    # AUTOINCREMENT: the row number is the id of a run or finding, and is never reused.
    return Table(
        name,
        metadata,
        Column("id", Integer, primary_key=True),
        Column("at", String, nullable=False),
        *parts,
        sqlite_autoincrement=True,
    )


def _text(name: str, *, null: bool = False, unique: bool = False) -> Column[object]:
    return Column(name, String, nullable=null, unique=unique)


def _number(name: str, *, null: bool = True) -> Column[object]:
    return Column(name, Float, nullable=null)


def _json(name: str) -> Column[object]:
    return Column(name, JSON(none_as_null=True), nullable=False)


lens = _table("lens", _text("code", unique=True), _json("doc"))
job = _table("job", _text("code", unique=True), _text("owner"), _text("state"), _text("note"))
artefact = _table("artefact", _text("kind"), _text("code"), _json("doc"))
setup = _table("setup", Column("rev", Integer, nullable=False, unique=True), _json("doc"), _json("chain"))
run = _table(
    "run",
    _text("procedure"),
    _text("text_sha"),
    _json("inputs"),
    Column("setup", Integer),
    _text("lens", null=True),
    _text("job", null=True),
    _text("user"),
    _text("state"),
    _text("began"),
    _text("ended", null=True),
)
reading = _table(
    "reading",
    Column("run", Integer, ForeignKey("run.id"), nullable=False),
    Column("idx", Integer, nullable=False),
    _text("t_utc"),
    _number("t_mono", null=False),
    _number("offset_um"),
    _number("carriage_um"),
    _text("device"),
    _text("channel"),
    _number("value"),
    _text("unit"),
    _text("quality"),
    _number("u"),
    UniqueConstraint("run", "idx", "device", "channel", name="reading_once"),
)
finding = _table(
    "finding",
    Column("run", Integer, ForeignKey("run.id"), nullable=False),
    _text("assessment"),
    _text("lens", null=True),
    _json("doc"),
    Index("finding_of_lens", "lens", "assessment"),
)
calibration = _table(
    "calibration",
    _text("artefact"),
    _number("value"),  # NULL: withdrawn; the newest row of an artefact decides
    _number("u"),
    _text("unit"),
    _number("at_C"),
    _number("dof"),
    _json("points"),
    Column("finding", Integer, ForeignKey("finding.id")),
    _text("valid_until", null=True),
    _text("by"),
    _text("why", null=True),  # of a withdrawal
    Index("calibration_of_artefact", "artefact"),
)
event = _table(
    "event",
    _text("code"),
    _text("severity"),
    _text("text"),
    _text("advice"),
    _text("cause", null=True),
    _json("data"),
)
file = _table("file", _text("sha", unique=True), _text("name"), Column("bytes", LargeBinary, nullable=False))
meta = _table("meta", _text("schema"))
