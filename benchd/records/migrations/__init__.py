"""Numbered migrations of the record, run by Alembic from inside the package. Forward only."""
