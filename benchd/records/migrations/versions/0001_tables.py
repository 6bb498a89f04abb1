"""The tables of the first record."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def _create(name: str, *parts: sa.Column[object] | sa.UniqueConstraint) -> None:
    op.create_table(
        name,
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("at", sa.String, nullable=False),
        *parts,
        sqlite_autoincrement=True,
    )


def _text(name: str, *, null: bool = False, unique: bool = False) -> sa.Column[object]:
    return sa.Column(name, sa.String, nullable=null, unique=unique)


def _json(name: str) -> sa.Column[object]:
    return sa.Column(name, sa.JSON, nullable=False)


def upgrade() -> None:
    _create("meta", _text("schema"))
    _create("lens", _text("code", unique=True), _json("doc"))
    _create("job", _text("code", unique=True), _text("owner"), _text("state"), _text("note"))
    _create("artefact", _text("kind"), _text("code"), _json("doc"))
    _create("setup", sa.Column("rev", sa.Integer, nullable=False, unique=True), _json("doc"), _json("chain"))
    _create(
        "run",
        _text("procedure"),
        _text("text_sha"),
        _json("inputs"),
        sa.Column("setup", sa.Integer),
        _text("lens", null=True),
        _text("job", null=True),
        _text("user"),
        _text("state"),
        _text("began"),
        _text("ended", null=True),
    )
    _create(
        "reading",
        sa.Column("run", sa.Integer, sa.ForeignKey("run.id"), nullable=False),
        sa.Column("idx", sa.Integer, nullable=False),
        _text("t_utc"),
        sa.Column("t_mono", sa.Float, nullable=False),
        sa.Column("offset_um", sa.Float),
        sa.Column("carriage_um", sa.Float),
        _text("device"),
        _text("channel"),
        sa.Column("value", sa.Float),
        _text("unit"),
        _text("quality"),
        sa.UniqueConstraint("run", "idx", "device", "channel", name="reading_once"),
    )
    _create(
        "finding",
        sa.Column("run", sa.Integer, sa.ForeignKey("run.id"), nullable=False),
        _text("assessment"),
        _text("lens", null=True),
        _json("doc"),
    )
    op.create_index("finding_of_lens", "finding", ["lens", "assessment"])
    _create(
        "calibration",
        _text("artefact"),
        sa.Column("value", sa.Float),
        sa.Column("u", sa.Float),
        _text("unit"),
        sa.Column("at_C", sa.Float),
        sa.Column("dof", sa.Float),
        _json("points"),
        sa.Column("finding", sa.Integer, sa.ForeignKey("finding.id")),
        _text("valid_until", null=True),
        _text("by"),
    )
    op.create_index("calibration_of_artefact", "calibration", ["artefact"])
    _create(
        "event",
        _text("code"),
        _text("severity"),
        _text("text"),
        _text("advice"),
        _text("cause", null=True),
        _json("data"),
    )
    _create("file", _text("sha", unique=True), _text("name"), sa.Column("bytes", sa.LargeBinary, nullable=False))
