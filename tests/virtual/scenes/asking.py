"""Scenes of who may ask for what, and when: control, beats, places, and what is said again."""

from __future__ import annotations

import random

from tests.virtual.scenes.parts import READY_S, SET_UP_S, Do, move, other, ready, set_up, stops
from tests.virtual.schedule import Step
from tests.virtual.used import place


def typed_ahead(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A command with the beat of then arrives behind a stop, or too late, or was given no beat at all."""
    steps = set_up(at_s, who)
    at_s += SET_UP_S
    asked: list[Do] = [("move", place(chance)), ("nominal", {}), ("home", {}), ("move", move(chance))]
    hows = [chance.choice(("old", "none")) for _ in asked] + ["stopped"] * len(asked)
    typed_so = list(zip(asked * 2, hows, strict=True))
    chance.shuffle(typed_so)
    for (verb, args), how in typed_so:
        after_s = {"stopped": chance.choice((0.05, 0.3, 2.0)), "old": chance.choice((5.0, 12.0)), "none": 0.02}[how]
        typed = {"verb": verb, "after_s": after_s, "args": args} | ({"beat": False} if how == "none" else {})
        steps.append(Step(at_s, who, "typed", typed))
        if how == "stopped":
            steps.append(stops(chance, at_s + chance.uniform(0.0, after_s + 0.05), who))
        at_s += after_s + chance.choice((0.3, 3.0))
    return steps


def lapse(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """The other tries to take over, soon, and when the holder has done nothing for a minute."""
    them = other(who)
    steps: list[Step] = []
    for away_s in (chance.choice((3.0, 3.0, 40.0)), 64.0):
        does: Do = chance.choice((("take", {}), ("take", {}), ("home", {}), ("move", move(chance))))
        after: Do = chance.choice(
            (("move", move(chance)), ("home", {}), ("light", {"light": "target_light", "level": 0.4}))
        )
        steps += [*ready(at_s, who), Step(at_s + away_s, them, *does)]
        steps += [Step(at_s + away_s + 1.0, who, *after), Step(at_s + away_s + 2.0, them, *after)]
        at_s += away_s + 10.0
    return steps


def at_the_bounds(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """Places at, near and beyond the ends of the travel, and sweeps around them."""
    steps = ready(at_s, who)
    at_s += READY_S
    for _ in range(5):
        to_um = chance.choice((-600.0, -80.0, -3.0, 0.0, 20.0, 29_990.0, 30_000.0, 30_004.0, 30_070.0, 31_000.0))
        steps.append(Step(at_s, who, "move", {"carriage_um": to_um} if chance.random() < 0.7 else place(chance)))
        at_s += 10.0
        if chance.random() < 0.3:
            steps.append(Step(at_s, who, "sweep", {"about": "here", "span_um": 160.0, "repeats": 1}))
            at_s += 8.0
    return steps


def too_near(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A lens and a plate, and ways towards the target; the plate is told of when the carriage is there already."""
    glass = chance.choice(([], ["pane-25"]))
    steps = [*ready(at_s, who), Step(at_s + READY_S, who, "arrange", {"lens": "L-0417", "glass": glass})]
    at_s += READY_S + 1.0
    for _ in range(4):
        low = {"carriage_um": round(chance.uniform(0.0, 9000.0), 1)}
        do: Do = chance.choice(
            (
                ("move", low),
                ("move", low),
                ("home", {}),
                ("move", place(chance)),
                ("setup", {"set": {"glass": ["pane-25"]}}),
                ("setup", {"set": {"glass": []}}),
            )
        )
        steps.append(Step(at_s, who, *do))
        at_s += chance.choice((1.0, 9.0))
    return steps


def said_again(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """What was just sent comes once more, soon or after some seconds."""
    steps = ready(at_s, who)
    at_s += READY_S
    asked: list[Do] = [
        ("take", {}),
        ("light", {"light": "target_light", "level": 0.4}),
        ("move", move(chance)),
        ("setup", {"set": {"trim_um": 20.0}}),
        ("release", {}),
    ]
    again_s = [0.02, 0.3, 3.0, 20.0, chance.choice((0.02, 45.0))]
    chance.shuffle(again_s)
    for do, after_s in zip(asked, again_s, strict=True):
        steps += [Step(at_s, who, *do), Step(at_s + after_s, "stranger", "repeat", {"back": 0})]
        at_s += after_s + chance.choice((0.1, 4.0))
    return steps


def retained(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """What was sent is left behind as retained, and the daemon connects anew; then to a broker that knows nothing."""
    light = Step(at_s + 0.3, who, "light", {"light": "target_light", "level": chance.choice((0.4, 1.0))})
    command = chance.choice((Step(at_s, who, "take", {"force": True}), light, light))
    steps = [Step(at_s, who, "take", {"force": True}), command, Step(at_s + 0.6, "stranger", "retain", {"back": 0})]
    again = chance.choice(
        (
            ("daemon", "kill", {"down_s": 0.1}),
            ("daemon", "restart", {"down_s": 2.0}),
            ("broker", "away", {"for_s": 0.5, "forget": chance.random() < 0.7}),
            ("broker", "stall", {"for_s": 25.0}),
        )
    )
    steps += [Step(at_s + chance.uniform(0.5, 1.5), *again), Step(at_s + 4.0, who, "take", {"force": True})]
    at_s += 30.0 if again[:2] == ("broker", "stall") else 6.0
    forgets = Step(at_s, "broker", "away", {"for_s": 0.5, "forget": True})
    return [*steps, forgets, Step(at_s + 6.0, who, "take", {"force": True})]


def stop_upon_stop(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """Stops and motions close upon each other, also while the first still brakes."""
    steps = ready(at_s, who)
    at_s += READY_S
    for _ in range(4):
        steps.append(Step(at_s, who, "move", move(chance)))
        at_s += chance.choice((chance.uniform(0.0, 0.02), chance.uniform(0.2, 0.8)))
        steps.append(stops(chance, at_s, who))
        for _ in range(2):
            at_s += chance.uniform(0.0, 0.25)
            steps.append(Step(at_s, who, "move", move(chance)))
            if chance.random() < 0.6:
                steps.append(stops(chance, at_s + chance.uniform(0.0, chance.choice((0.02, 0.1))), who))
        at_s += 3.0
    return steps
