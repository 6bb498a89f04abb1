"""Schema of a record: a newer one is refused, an older one backed up and migrated."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection, select
from sqlalchemy import inspect as look_at

from benchd.errors import BenchdError
from benchd.records import schema

MIGRATIONS = Path(__file__).parent / "migrations"


def found_revision(connection: Connection) -> str | None:
    """The schema revision of the database, None if it is empty. Raises BenchdError if it is not a record."""
    tables = set(look_at(connection).get_table_names())
    if not tables:
        return None
    revision: str | None = None
    if "meta" in tables:
        newest = select(schema.meta.c.schema).order_by(schema.meta.c.id.desc()).limit(1)
        revision = connection.execute(newest).scalar()
    if revision is None:
        raise BenchdError(
            "bad_request",
            "The file named by store.url is a database, but not a record of this program.",
            advice="Name another file; nothing in this one was touched.",
        )
    return revision


def refuse_newer(revision: str, path: Path) -> None:
    """Raises BenchdError (`bad_request`) for a record written by a later version."""
    if revision > schema.HEAD:
        raise BenchdError(
            "bad_request",
            f"The record {path} has schema {revision}; this version of benchd knows up to {schema.HEAD}.",
            advice="Use the version that wrote it, or another store.url; nothing was touched.",
            data={"found": revision, "known": schema.HEAD},
        )


def bring_up_to_date(connection: Connection, path: Path, at: str) -> Path | None:
    """Create or migrate the tables; gives the backup's path if an older record was migrated.

    The migration is one transaction: it succeeds as a whole, or the record is unchanged.
    """
    with connection.begin():
        revision = found_revision(connection)
    if revision == schema.HEAD:
        return None
    backup = None
    if revision is not None:
        refuse_newer(revision, path)
        backup = _back_up(path, revision, at)
    migrate(connection, at, "head")
    return backup


def migrate(connection: Connection, at: str, to: str) -> None:
    """Run the migrations up to revision `to` ('head' is the last), in one transaction."""
    # Imported only here: an up-to-date record does not need it.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    config.attributes["at"] = at
    with connection.begin():
        command.upgrade(config, to)


def _back_up(path: Path, revision: str, at: str) -> Path:
    stamp = at.replace(":", "").replace("-", "").replace(".", "")
    backup = path.with_name(f"{path.name}.schema-{revision}.{stamp}.bak")
    partial = backup.with_name(backup.name + ".part")
    partial.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(partial)) as target:
        source.backup(target)
    _sync(partial)
    partial.replace(backup)
    _sync(backup.parent)  # the directory entry too, before the record itself is changed
    return backup


def _sync(place: Path) -> None:
    handle = os.open(place, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
