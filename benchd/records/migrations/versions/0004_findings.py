"""Findings of the second schema may stand in the record: a benchd from before them must not open it.

The documents of before stay as they were written; they are read as those of today (`assessments/earlier_schemas.py`).
"""

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Nothing is changed but the number."""
