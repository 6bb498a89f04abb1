"""What scenes are made of."""

from __future__ import annotations

import random
from typing import Any

from tests.virtual.schedule import Step

READY_S = 12.0
"""From taking control and homing until the carriage stands homed."""
Do = tuple[str, dict[str, Any]]


def ready(at_s: float, who: str) -> list[Step]:
    return [Step(at_s, who, "take", {"force": True}), Step(at_s + 0.2, who, "home")]


def other(who: str) -> str:
    return "bob" if who == "alice" else "alice"


def move(chance: random.Random) -> dict[str, Any]:
    """A long one, inside the travel."""
    return {"carriage_um": round(chance.uniform(500.0, 29_000.0), 1)}


def stops(chance: random.Random, at_s: float, who: str) -> Step:
    return Step(at_s, *chance.choice(((who, "stop", {}), ("stranger", "stop", {"payload": ""}))))
