"""Names of today in rows of before: absolute zero is found by `bench_zero`, a ring's end is its `hard_stop`."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

_WAS, _IS = "base_depth", "bench_zero"


def upgrade() -> None:
    connection = op.get_bind()
    for table, column in (("run", "procedure"), ("finding", "assessment")):
        update = sa.text(f"UPDATE {table} SET {column} = :new WHERE {column} = :old")
        connection.execute(update, {"new": _IS, "old": _WAS})
    _mend(connection, "finding", "doc", _finding)
    _mend(connection, "setup", "doc", _ring)
    _mend(connection, "run", "inputs", _ring)


def _mend(connection: sa.Connection, table: str, column: str, mend: Callable[[Any], bool]) -> None:
    """Have `mend` change the JSON object of every row; a row that it leaves alone is not written."""
    for number, text in connection.execute(sa.text(f"SELECT id, {column} FROM {table}")).fetchall():
        doc = json.loads(text)
        if mend(doc):
            new = {"doc": json.dumps(doc), "id": number}
            connection.execute(sa.text(f"UPDATE {table} SET {column} = :doc WHERE id = :id"), new)


def _finding(doc: dict[str, Any]) -> bool:
    was = doc.get("assessment") == _WAS
    if was:
        doc["assessment"] = _IS
    return _ring(doc.get("measurand")) or was


def _ring(doc: object) -> bool:
    if not isinstance(doc, dict) or doc.get("ring") != "stop":
        return False
    doc["ring"] = "hard_stop"
    return True
