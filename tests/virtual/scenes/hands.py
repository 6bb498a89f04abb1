"""Scenes of lenses and plates that are changed by hand in the midst of a run."""

from __future__ import annotations

import random
from typing import Any

from tests.virtual.scenes.parts import READY_S, other, ready, stops
from tests.virtual.schedule import Step


def next_in_turn(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A lens is measured, some times seated anew; meanwhile its record is written into, and the run disturbed."""
    steps = ready(at_s, who)
    at_s += READY_S
    for turn in range(2):
        steps.append(Step(at_s, who, "next", {"reseat": (1, chance.choice((0, 1)))[turn]}))
        for _ in range(3):
            steps.append(Step(at_s, other(who), "record", _written(chance) | _in_it(chance)))
        if turn > 0:
            steps.append(_disturbs(chance, at_s, who))
        at_s += 60.0
        steps.append(Step(at_s, who, "abort"))
        at_s += 3.0
    return steps


def toggled(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A plate goes in and out of a lens, to the end or broken off somewhere."""
    steps = [*ready(at_s, who), Step(at_s + READY_S, who, "toggle")]
    at_s += READY_S
    if chance.random() < 0.6:
        steps.append(_disturbs(chance, at_s, who))
        steps.append(Step(at_s + 40.0, who, chance.choice(("abort", "resume"))))
    return [*steps, Step(at_s + 70.0, who, "abort")]


def _written(chance: random.Random) -> dict[str, Any]:
    """What its record did not say before."""
    what = {"owner": f"shelf {chance.randrange(100)}"}
    return {"kind": "lens", "id": chance.choice(("L-0417", "L-0417", "L-0418")), "set": what}


def _in_it(chance: random.Random) -> dict[str, Any]:
    """At a moment of the run."""
    when = chance.choice(("asking", "running", "measuring"))
    return {"when": when, "nth": chance.choice((1, 2, 9)), "later_s": round(chance.choice((0.0, 0.3)), 4)}


def _disturbs(chance: random.Random, at_s: float, who: str) -> Step:
    aimed = _in_it(chance)
    stop = stops(chance, at_s, who)
    return chance.choice(
        (
            Step(at_s, who, "pause", aimed),
            Step(at_s, who, "abort", aimed),
            Step(at_s, stop.who, stop.do, stop.args | aimed),
            Step(at_s, "board", "reset", aimed),
            Step(at_s, "world", "push", {"value": 300.0} | aimed),
        )
    )
