"""Hours of use and misuse, drawn from one number: who does what, what breaks, and when."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from tests.virtual.schedule import Step

Draw = Callable[[random.Random], dict[str, Any]]


def _none(_: random.Random) -> dict[str, Any]:
    return {}


def _place(chance: random.Random) -> dict[str, Any]:
    key = chance.choice(("carriage_um", "by_um", "offset_um", "depth_um"))
    span = {
        "carriage_um": (-500, 31_000),
        "by_um": (-8000, 8000),
        "offset_um": (-300, 300),
        "depth_um": (40_000, 54_000),
    }
    return {key: round(chance.uniform(*span[key]), 1)}


def _one(**choices: list[Any]) -> Draw:
    return lambda chance: {key: chance.choice(values) for key, values in choices.items()}


USE: list[tuple[float, str, Draw]] = [
    (6.0, "take", _none),
    (3.0, "home", _none),
    (8.0, "move", _place),
    (2.0, "nominal", _none),
    (2.0, "light", lambda chance: {"light": "target_light", "level": chance.choice((0.0, 0.4, 1.0))}),
    (
        2.0,
        "setup",
        _one(set=[{"glass": ["pane-25"]}, {"glass": []}, {"lens": "L-0417"}, {"lens": None}, {"trim_um": 20.0}]),
    ),
    (3.0, "sweep", _one(about=["here", "nominal"], span_um=[60.0, 160.0], repeats=[1])),
    (2.0, "run", _one(procedure=["bench_zero"], inputs=[{"reference": "collar-45"}])),
    (2.0, "check", _one(repeats=[3])),
    (1.0, "calibrate", _none),
    (5.0, "answer", _one(value=[True, True, True, False, 7], late=[False, False, False, True])),
    (3.0, "pause", _none),
    (4.0, "resume", _none),
    (2.0, "abort", _none),
    (4.0, "stop", _none),
    (
        5.0,
        "typed",
        lambda chance: {"verb": "move", "after_s": chance.choice((0.02, 0.3, 2.5, 4.0)), "args": _place(chance)},
    ),
    (0.5, "release", _none),
    (0.5, "drop", _none),
    (0.5, "stall", _one(for_s=[0.5, 2.5, 6.0])),
]
"""What a person does, how often by comparison, and with what."""

STRANGE: list[tuple[float, str, Draw]] = [
    (3.0, "stop", _one(payload=["", "{", '{"id":"s"}'])),
    (3.0, "repeat", lambda chance: {"back": chance.randrange(40)}),
    (1.0, "retain", lambda chance: {"back": chance.randrange(40)}),
    (1.0, "nonsense", _one(topic=["command/stranger/move", "command/alice/move", "online", "command/x/y/z"],
                           payload=["{", "null", '{"id":1}', '{"id":"q","args":{"carriage_um":1e999}}'])),
]  # fmt: skip

FAULTS: list[tuple[float, str, str, Draw]] = [
    (2.0, "board", "reset", _none),
    (1.0, "board", "power_up", _none),
    (2.0, "board", "unplug", _one(s=[0.2, 2.0, 8.0])),
    (1.0, "board", "open_door", _none),
    (1.0, "board", "shut_door", _none),
    (1.0, "board", "silence", _one(s=[0.2, 1.0, 4.0])),
    (1.0, "board", "garbage", _one(s=[0.2, 1.0])),
    (1.0, "board", "stall", _one(s=[0.2, 2.0])),
    (1.0, "board", "corrupt", _one(n=[1, 3])),
    (1.0, "board", "cut", _one(n=[1, 2])),
    (1.0, "board", "drop", _one(n=[1, 2])),
    (1.0, "board", "late", _one(n=[1, 2], s=[0.2, 0.6])),
    (1.0, "board", "split", _one(n=[1, 5], gap_s=[0.02])),
    (1.0, "board", "lose", _one(byte=[33, 133, 24], n=[1])),
    (1.0, "counter", "silence", _one(s=[0.2, 1.0])),
    (1.0, "counter", "corrupt", _one(n=[1, 3])),
    (1.0, "counter", "late", _one(n=[1], s=[0.5])),
    (0.5, "counter", "unplug", _one(s=[1.0, 5.0])),
    (1.0, "camera", "late", _one(n=[1], s=[0.5, 3.0])),
    (1.0, "camera", "garbage", _one(n=[1])),
    (1.0, "camera", "cut", _one(n=[1])),
    (1.0, "camera", "freeze", _one(n=[1, 3])),
    (1.0, "camera", "error", _one(n=[1])),
    (1.0, "world", "lose_steps", _one(value=[200.0, 1000.0])),
    (1.0, "world", "push", _one(value=[50.0, 400.0])),
    (0.5, "world", "encoder_frozen", _one(value=[True, False])),
    (0.5, "world", "encoder_jump", _one(value=[100.0])),
    (0.5, "world", "switch_stuck", _one(value=[True, False])),
    (1.0, "broker", "away", _one(for_s=[0.5, 3.0, 20.0], forget=[True, False])),
    (1.0, "broker", "stall", _one(for_s=[0.5, 3.0])),
    (1.0, "broker", "twice", _one(n=[1, 5])),
    (1.5, "daemon", "kill", _none),
    (0.5, "daemon", "restart", _none),
    (0.5, "clock", "step", _one(by_s=[-86_400.0, -1.0, 3600.0])),
]
"""What breaks; what lasts is cleared again by `MENDS`."""

MENDS = (
    Step(0.0, "board", "shut_door"),
    Step(0.0, "board", "clear"),
    Step(0.0, "counter", "clear"),
    Step(0.0, "camera", "clear"),
    Step(0.0, "world", "encoder_frozen", {"value": False}),
    Step(0.0, "world", "switch_stuck", {"value": False}),
)


MISLEADING = ("answer", "setup", "typed", "repeat", "retain")
"""What may tell the bench what is not so."""


def drawn(seed: int, *, bouts: int = 3, faults: bool = True) -> list[Step]:
    """Some bouts of activity with quiet between; in each some faults. The first thing each time is to take and home.

    Every third begins with a calibration and a check, with nobody there who answers for another.
    """
    chance = random.Random(seed)
    steps: list[Step] = []
    at_s = 1.0
    use, strange = USE, STRANGE
    if seed % 3 == 0:
        use = [one for one in USE if one[1] not in MISLEADING]
        strange = [one for one in STRANGE if one[1] not in MISLEADING]
        steps = [Step(1.0, "alice", "take"), Step(1.5, "alice", "calibrate"), Step(80.0, "alice", "check")]
        at_s = chance.choice((90.0, 120.0))
    for _ in range(bouts):
        who = chance.choice(("alice", "bob"))
        steps.append(Step(round(at_s, 3), who, "take"))
        steps.append(Step(round(at_s + 0.2, 3), who, "home"))
        at_s += 12.0
        hectic_s = chance.choice((0.05, 0.5, 3.0))
        for _ in range(chance.randrange(5, 25)):
            at_s += chance.expovariate(1.0 / hectic_s)
            roll = chance.random()
            if faults and roll < 0.12:
                _, thing, what, draw = chance.choices(FAULTS, [one[0] for one in FAULTS])[0]
                steps.append(Step(round(at_s, 3), thing, what, draw(chance)))
            elif roll < 0.24:
                _, what, draw = chance.choices(strange, [one[0] for one in strange])[0]
                steps.append(Step(round(at_s, 3), "stranger", what, draw(chance)))
            else:
                _, what, draw = chance.choices(use, [one[0] for one in use])[0]
                by = who if chance.random() < 0.75 else "bob" if who == "alice" else "alice"
                steps.append(Step(round(at_s, 3), by, what, draw(chance)))
        at_s += chance.choice((2.0, 20.0, 120.0))
        if faults:
            steps += [Step(round(at_s, 3), one.who, one.do, one.args) for one in MENDS]
        at_s += 5.0
    return steps
