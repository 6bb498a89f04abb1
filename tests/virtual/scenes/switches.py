"""Scenes of the emergency stop and of hands in the bench; for benches that have such switches."""

from __future__ import annotations

import random

from tests.virtual.scenes.parts import READY_S, Do, move, ready
from tests.virtual.schedule import Step

RUNS = ("there_and_back", "asked_thrice")


def pressed(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """While it moves and is lit a switch is acted on; motion and light are asked for while it is, and once it is let
    go, perhaps by the next daemon. It is re-armed too early, and in time."""
    steps: list[Step] = []
    for _ in range(2):
        what = {"what": chance.choice(("emergency_stop", "emergency_stop", "hands_in"))}
        held_s = chance.choice((1.5, 6.0))
        begins: Do = chance.choice((("move", move(chance)), ("run", {"procedure": chance.choice(RUNS), "inputs": {}})))
        steps += [*ready(at_s, who), _lit(at_s + READY_S, who), Step(at_s + READY_S, who, *begins)]
        at_s += READY_S + chance.choice((0.05, chance.uniform(0.1, 2.0)))
        steps.append(Step(at_s, "hand", "press", what))
        steps += _tried(chance, at_s + held_s - 0.5, who)
        steps.append(Step(at_s + held_s - 0.2, "hand", "rearm"))
        at_s += held_s
        steps.append(Step(at_s, "hand", "release", what))
        if chance.random() < 0.5:
            at_s += 0.5
            steps.append(Step(at_s, "daemon", chance.choice(("kill", "restart")), {"down_s": 0.1}))
            at_s += 4.0
        steps += [Step(at_s + 0.8, who, "take", {"force": True}), *_tried(chance, at_s + 1.0, who)]
        at_s += 8.0
        steps.append(Step(at_s, "hand", "rearm"))
        at_s += 1.0
    return steps


def _tried(chance: random.Random, at_s: float, who: str) -> list[Step]:
    moves = chance.choice((Step(at_s, who, "home"), Step(at_s, who, "move", move(chance))))
    return [moves, _lit(at_s + 0.1, who)]


def _lit(at_s: float, who: str) -> Step:
    return Step(at_s, who, "light", {"light": "target_light", "level": 0.7})
