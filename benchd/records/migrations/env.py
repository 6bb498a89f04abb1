"""How Alembic runs the migrations: on the connection handed in, in its one transaction.

Each applied revision leaves a row in `meta`, so that the schema of a record can be told without Alembic.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import sqlalchemy as sa
from alembic import context
from alembic.runtime.migration import MigrationContext, MigrationInfo


def _note(ctx: MigrationContext, step: MigrationInfo, heads: Collection[Any], run_args: Mapping[str, Any]) -> None:
    assert ctx.connection is not None
    ctx.connection.execute(
        sa.text("INSERT INTO meta (at, schema) VALUES (:at, :schema)"),
        {"at": context.config.attributes["at"], "schema": step.up_revision_id},
    )


context.configure(
    connection=context.config.attributes["connection"],
    # SQLite rolls back table changes as well as rows, given a BEGIN (see engine.py): a migration is whole or absent.
    transactional_ddl=True,
    render_as_batch=True,
    on_version_apply=_note,
)
with context.begin_transaction():
    context.run_migrations()
