"""The datum chain."""
