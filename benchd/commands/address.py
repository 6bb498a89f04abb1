"""User and verb of a command, as its transport gives them. Imports little: every client of the bench loads it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CommandAddress:
    """User and verb of a command; both are checked names."""

    user: str
    verb: str
