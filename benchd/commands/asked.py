"""Who asks for what, as whatever brought a command says it. Light: every client of the bench loads it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Asked:
    """Both are checked names."""

    user: str
    verb: str
