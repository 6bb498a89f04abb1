"""A reading keeps its standard uncertainty: a picture tells it once, and a later fit weighs by it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.add_column("reading", sa.Column("u", sa.Float))
