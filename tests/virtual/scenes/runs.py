"""Scenes of a run that is paused, asked, broken off or disturbed."""

from __future__ import annotations

import random
from typing import Any

from tests.virtual.scenes.parts import READY_S, Do, move, other, ready, stops
from tests.virtual.schedule import Step


def held_up(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A run is paused, something else is moved, it goes on, and is paused again on its way back."""
    begins = chance.choice((("sweep", {"about": "here", "span_um": 160.0, "repeats": 1}), ("zero", {})))
    steps = [*ready(at_s, who), Step(at_s + READY_S, who, *begins)]
    at_s += READY_S + chance.uniform(0.5, 12.0)
    for _ in range(2):
        steps.append(Step(at_s, who, chance.choice(("pause", "pause", "stop"))))
        at_s += chance.choice((0.05, 1.5))
        if chance.random() < 0.7:
            steps.append(Step(at_s, who, "move", move(chance)))
            at_s += chance.choice((0.4, 8.0))
        steps.append(Step(at_s, who, "resume"))
        at_s += chance.uniform(0.0, 2.5)
    return [*steps, Step(at_s, who, chance.choice(("pause", "stop", "abort"))), Step(at_s + 2.0, who, "abort")]


def broken_off(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """The daemon is killed, ended or held up while it measures, or its disk is slow as it begins."""
    steps = ready(at_s, who)
    at_s += READY_S
    slow = chance.random() < 0.4
    if slow:
        steps.append(Step(at_s, "disk", "slow", {"s": chance.choice((0.3, 1.0))}))
    begins = chance.choice((("sweep", {"about": "here", "span_um": 60.0, "repeats": 1}), ("zero", {})))
    steps.append(Step(at_s + 0.1, who, *begins))
    if slow:
        steps.append(stops(chance, at_s + 0.1 + chance.uniform(0.0, 1.0), who))
    else:
        aimed = {"when": "measuring", "nth": chance.choice((1, 3, 9)), "later_s": round(chance.uniform(0.0, 0.05), 4)}
        ends = chance.choice(
            (
                ("daemon", "kill", {"down_s": 0.1}),
                ("daemon", "restart", {"down_s": 0.0}),
                ("machine", "held", {"for_s": 0.8}),
            )
        )
        steps.append(Step(at_s, ends[0], ends[1], ends[2] | aimed))
    return [
        *steps,
        Step(at_s + 20.0, "disk", "clear"),
        Step(at_s + 21.0, who, "light", {"light": "target_light", "level": 0.4}),
        Step(
            at_s + 22.0, *chance.choice((("daemon", "kill", {"down_s": 0.5}), ("daemon", "restart", {"down_s": 1.0})))
        ),
    ]


def disturbed(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """While a sweep is under way its light, its plate or its lens changes."""
    steps = [
        *ready(at_s, who),
        Step(at_s + READY_S, who, "arrange", {"lens": "L-0417", "glass": ["pane-25"]}),
        Step(at_s + READY_S + 0.5, who, "light", {"light": "target_light", "level": 1.0}),
        Step(at_s + READY_S + 1.0, who, "nominal"),
    ]
    at_s += READY_S + 8.0
    for _ in range(2):
        steps.append(Step(at_s, who, "sweep", {"repeats": 1}))
        level = chance.choice((0.4, 0.7))
        what: tuple[str, str, dict[str, Any]] = chance.choice(
            (
                (who, "light", {"light": "target_light", "level": level}),
                (who, "setup", {"set": {"glass": []}}),
                (who, "setup", {"set": {"trim_um": 20.0}}),
            )
        )
        aimed = {"when": "measuring", "nth": chance.choice((2, 5, 9))}
        steps.append(Step(at_s, what[0], what[1], what[2] | aimed))
        at_s += 25.0
        steps.append(Step(at_s, who, "light", {"light": "target_light", "level": 1.0}))
        at_s += 1.0
    return steps


def asked(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A question stands, and is answered late, early, twice, while the run is paused, or by nobody."""
    steps = [
        *ready(at_s, who),
        Step(at_s + READY_S, who, "run", {"procedure": "bench_zero", "inputs": {"reference": "collar-45"}}),
    ]
    at_s += READY_S + 0.5
    for _ in range(6):
        answer = {
            "value": chance.choice((True, True, False)),
            "late": chance.random() < 0.4,
            "twice": chance.random() < 0.3,
        }
        do: Do = chance.choice((("answer", answer), ("answer", answer), ("pause", {}), ("resume", {}), ("stop", {})))
        steps.append(Step(at_s, chance.choice((who, who, other(who))), *do))
        at_s += chance.choice((0.05, 1.0, 6.0))
    return [*steps, Step(at_s + 1.0, who, "abort")]
