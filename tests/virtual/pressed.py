"""Emergency stops and hands in the bench, in the midst of a history: pressed, let go, pressed again, and re-armed.

By chances of their own, so that all else of a history stays what its number has always drawn.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

from tests.virtual.schedule import Step

EVERY_S = 60.0
MOST = 12
HELD_S = (0.02, 0.4, 1.5, 4.0)
MOMENTS = ("moving", "homing", "running", "asking", "paused", "measuring", "starting")
FAULTS = (
    ("silence", {"s": 0.3}), ("silence", {"s": 1.0}), ("unplug", {"s": 1.0}), ("corrupt", {"n": 1}),
    ("corrupt", {"n": 6}), ("late", {"n": 1, "s": 0.4}), ("garbage", {"s": 0.3}),
)  # fmt: skip


def has_switches(seed: int) -> bool:
    """Whether the bench of this number has an emergency stop and a door for hands: every second one."""
    return seed % 2 == 1


def presses(steps: Sequence[Step], seed: int) -> list[Step]:
    """Some of them between the first of these steps and the last; in the end all is let go and re-armed."""
    chance = random.Random(f"{seed} pressed")
    first_s, last_s = min(step.at_s for step in steps), max(step.at_s for step in steps)
    found: list[Step] = []
    for _ in range(min(MOST, 1 + round((last_s - first_s) / EVERY_S))):
        near = chance.choice(steps).at_s + chance.choice((0.0, 0.03, 1.0, 3.0)) * chance.random()
        at_s = chance.choice((near, near, chance.uniform(first_s, last_s)))
        if chance.random() < 0.15:
            what, args = chance.choice(FAULTS)
            found.append(Step(at_s, "inputs", what, dict(args)))
            at_s += 1.5
        else:
            at_s = _pressed(chance, at_s, found)
        if chance.random() < 0.8:
            found += [Step(at_s + after_s, "hand", "rearm") for after_s in (chance.choice((0.1, 0.9)), 1.5)]
    at_s = max(last_s, *(step.at_s for step in found)) + 6.0
    found += [Step(at_s, "hand", "release", {"what": what}) for what in ("emergency_stop", "hands_in")]
    return [*found, Step(at_s + 1.0, "hand", "rearm")]


def _pressed(chance: random.Random, at_s: float, found: list[Step]) -> float:
    """Once or twice, at a time or at a moment; gives when it is let go."""
    what = {"what": chance.choice(("emergency_stop", "hands_in"))}
    aimed = {"when": chance.choice(MOMENTS), "nth": chance.choice((1, 1, 3))} if chance.random() < 0.3 else {}
    if aimed:
        for do, later_s in (("press", 0.0), ("release", chance.choice(HELD_S))):
            found.append(Step(at_s, "hand", do, {**what, **aimed, "later_s": later_s}))
        return at_s + 5.0
    for _ in range(chance.choice((1, 1, 2))):
        found.append(Step(at_s, "hand", "press", what))
        at_s += chance.choice(HELD_S)
        found.append(Step(at_s, "hand", "release", what))
        at_s += chance.choice((0.05, 0.6))
    return at_s
