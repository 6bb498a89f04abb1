"""A withdrawal of a calibration says why."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.add_column("calibration", sa.Column("why", sa.String))
