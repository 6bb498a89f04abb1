"""What scenes are made of."""

from __future__ import annotations

import random
from typing import Any

from tests.virtual.schedule import Step

READY_S = 15.0
"""From taking control and homing, from the far end of the travel, until the carriage stands homed."""
SET_UP_S = READY_S + 8.0
"""The same until it stands at nominal of a lens, lit."""
Do = tuple[str, dict[str, Any]]


def ready(at_s: float, who: str) -> list[Step]:
    return [Step(at_s, who, "take", {"force": True}), Step(at_s + 0.2, who, "home")]


def set_up(at_s: float, who: str, glass: tuple[str, ...] = ("pane-25",)) -> list[Step]:
    """As `ready`; then a lens is fitted, with the glass that it was made for, and the carriage at its nominal."""
    return [
        *ready(at_s, who),
        Step(at_s + READY_S, who, "arrange", {"lens": "L-0417", "glass": list(glass)}),
        Step(at_s + READY_S + 0.5, who, "light", {"light": "target_light", "level": 1.0}),
        Step(at_s + READY_S + 1.0, who, "nominal"),
    ]


def other(who: str) -> str:
    return "bob" if who == "alice" else "alice"


def move(chance: random.Random) -> dict[str, Any]:
    """A long one, inside the travel."""
    return {"carriage_um": round(chance.uniform(500.0, 29_000.0), 1)}


def stops(chance: random.Random, at_s: float, who: str) -> Step:
    return Step(at_s, *chance.choice(((who, "stop", {}), ("stranger", "stop", {"payload": ""}))))
