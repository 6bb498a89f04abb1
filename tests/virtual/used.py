"""What people do at a bench, how often by comparison, and with what."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

Draw = Callable[[random.Random], dict[str, Any]]


def nothing(_: random.Random) -> dict[str, Any]:
    return {}


def place(chance: random.Random) -> dict[str, Any]:
    key = chance.choice(("carriage_um", "by_um", "offset_um", "depth_um"))
    span = {
        "carriage_um": (-500, 31_000),
        "by_um": (-8000, 8000),
        "offset_um": (-300, 300),
        "depth_um": (40_000, 54_000),
    }
    return {key: round(chance.uniform(*span[key]), 1)}


def one_of(**choices: list[Any]) -> Draw:
    return lambda chance: {key: chance.choice(values) for key, values in choices.items()}


def written(chance: random.Random) -> dict[str, Any]:
    """Into a record, what no finding's truth depends on."""
    values = chance.choice(
        ({"tolerance": {"flange_um": chance.choice((8.0, 12.0))}}, {"owner": "house"}, {"mount": "m9"})
    )
    return {"kind": "lens", "id": chance.choice(("L-0417", "L-0418")), "set": values}


def once(chance: random.Random) -> dict[str, Any]:
    """A command line, quick or slow, now and then broken off."""
    verb, args = chance.choice(
        (("move", place(chance)), ("home", {}), ("nominal", {}), ("light", {"level": 0.4}), ("sweep", {}), ("stop", {}),
         ("take", {"force": True}))
    )  # fmt: skip
    leaves = {"leaves_s": chance.choice((0.05, 1.0, 5.0))} if chance.random() < 0.3 else {}
    return {"verb": verb, "args": args, "slow_s": chance.choice((0.0, 0.3, 1.0, 3.0))} | leaves


USE: list[tuple[float, str, Draw]] = [
    (5.0, "take", nothing),
    (1.5, "take", one_of(force=[True])),
    (3.0, "home", nothing),
    (8.0, "move", place),
    (2.0, "nominal", nothing),
    (2.0, "light", lambda chance: {"light": "target_light", "level": chance.choice((0.0, 0.4, 1.0))}),
    (
        2.0,
        "setup",
        one_of(set=[{"glass": ["pane-25"]}, {"glass": []}, {"lens": "L-0417"}, {"lens": None}, {"trim_um": 20.0}]),
    ),
    (3.0, "sweep", one_of(about=["here", "nominal"], span_um=[60.0, 160.0], repeats=[1])),
    (2.0, "run", one_of(procedure=["bench_zero"], inputs=[{"reference": "collar-45"}])),
    (0.5, "check", one_of(repeats=[3])),
    (0.5, "check", one_of(repeats=[3], forgets=["seated"])),
    (0.5, "zero", nothing),
    (0.5, "zero", one_of(forgets=["let_down_on_ring", "let_down_on_base", "seat_again", "clear"])),
    (1.0, "arrange", one_of(lens=["L-0417", "L-0418", None], glass=[[], ["pane-25"]])),
    (3.0, "once", once),
    (
        5.0,
        "answer",
        one_of(value=[True, True, True, False, 7], late=[False, False, False, True], twice=[False, False, True]),
    ),
    (3.0, "pause", nothing),
    (4.0, "resume", nothing),
    (2.0, "abort", nothing),
    (4.0, "stop", nothing),
    (
        5.0,
        "typed",
        lambda chance: {"verb": "move", "after_s": chance.choice((0.02, 0.3, 2.5, 4.0)), "args": place(chance)},
    ),
    (0.5, "release", nothing),
    (0.5, "release", one_of(to=["bob", "alice"])),
    (0.5, "read", one_of(device=["position", "indicator"])),
    (0.5, "record", written),
    (0.5, "drop", nothing),
    (0.5, "stall", one_of(for_s=[0.5, 2.5, 6.0])),
]
"""What a person does, how often by comparison, and with what."""

HANDS: list[tuple[float, str, Draw]] = [
    (2.0, "fit", one_of(what=["lens"], value=["L-0417", "L-0418"])),
    (2.0, "remove", one_of(what=["lens"])),
    (1.0, "fit", one_of(what=["glass"], value=["pane-25"])),
    (1.0, "remove", one_of(what=["glass"], value=["pane-25"])),
    (1.0, "fit", one_of(what=["adapter"], value=["ring-07", "gap-03"])),
    (1.0, "remove", one_of(what=["adapter"], value=["ring-07", "gap-03"])),
    (1.0, "set", one_of(what=["ring"], value=["infinity", "hard_stop"])),
    (1.0, "set", one_of(what=["indicator"], value=["base", "collar-45", "away"])),
]
"""What a hand does that nobody was told of."""

STRANGE: list[tuple[float, str, Draw]] = [
    (3.0, "stop", one_of(payload=["", "{", '{"id":"s"}'])),
    (3.0, "repeat", lambda chance: {"back": chance.randrange(40)}),
    (1.0, "retain", lambda chance: {"back": chance.randrange(40)}),
    (1.0, "nonsense", one_of(topic=["command/stranger/move", "command/alice/move", "online", "command/x/y/z"],
                           payload=["{", "null", '{"id":1}', '{"id":"q","args":{"carriage_um":1e999}}'])),
]  # fmt: skip
