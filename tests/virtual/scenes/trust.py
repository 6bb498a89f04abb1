"""Scenes in which the position is no longer what it was."""

from __future__ import annotations

import random

from tests.virtual.scenes.parts import READY_S, move, ready, stops
from tests.virtual.schedule import Step
from tests.virtual.used import place


def pushed(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """The carriage at rest is pushed, or its scale jumps."""
    steps = ready(at_s, who)
    at_s += READY_S
    waits_s = [0.1, 2.0, chance.choice((0.1, 2.0))]
    chance.shuffle(waits_s)
    for wait_s in waits_s:
        by_um = chance.choice((60.0, -120.0, 300.0))
        steps.append(Step(at_s, "world", chance.choice(("push", "push", "encoder_jump")), {"value": by_um}))
        at_s += wait_s
        steps.append(Step(at_s, who, "move", move(chance)))
        steps.append(Step(at_s + 8.0, who, "home"))
        at_s += 8.0 + READY_S
    return steps


def loses_steps(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """In motion steps are lost, the scale stands still or counts the other way."""
    what, value = chance.choice(
        (
            ("lose_steps", 200.0),
            ("lose_steps", 1000.0),
            ("lose_steps", 90.0),
            ("encoder_frozen", True),
            ("encoder_reversed", True),
            ("stall", True),
        )
    )
    begins_s = at_s + READY_S
    steps = [*ready(at_s, who), Step(begins_s, who, "move", move(chance))]
    steps.append(Step(begins_s + chance.uniform(0.1, 2.0), "world", what, {"value": value}))
    mends = [Step(begins_s + 7.0, "world", one, {"value": False}) for one in ("encoder_frozen", "encoder_reversed")]
    return [
        *steps,
        *mends,
        Step(begins_s + 7.0, "world", "stall", {"value": False}),
        Step(begins_s + 8.0, who, "move", move(chance)),
        Step(begins_s + 12.0, who, "move", place(chance)),
    ]


def homing_broken_off(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A homing is stopped, or the board resets in it; what is asked for next relies on a place."""
    steps = []
    for _ in range(3):
        steps += ready(at_s, who)
        at_s += chance.uniform(0.3, 11.0)
        what = chance.choice((stops(chance, at_s, who), stops(chance, at_s, who), Step(at_s, "board", "reset")))
        steps += [what, Step(at_s + 1.5, who, "move", move(chance))]
        at_s += 4.0
    return steps


def unplugged(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A cable is out, or who hangs on it says nothing; at rest or in motion."""
    steps = ready(at_s, who)
    at_s += READY_S
    if chance.random() < 0.4:
        steps.append(Step(at_s, who, "move", move(chance)))
    what = chance.choice(
        (
            ("board", "unplug", {"s": 0.2}),
            ("board", "unplug", {"s": 3.0}),
            ("counter", "unplug", {"s": 3.0}),
            ("board", "silence", {"s": 4.0}),
            ("counter", "silence", {"s": 4.0}),
            ("counter", "stall", {"s": 4.0}),
        )
    )
    at_s += chance.uniform(0.0, 1.0)
    steps.append(Step(at_s, *what))
    if chance.random() < 0.3:
        steps.append(stops(chance, at_s + chance.uniform(0.0, 0.5), who))
    if chance.random() < 0.5:
        at_s += 5.0  # nobody moves anything, and it has to be noticed all the same
    for _ in range(3):
        at_s += chance.uniform(0.2, 3.0)
        steps.append(Step(at_s, who, "move", move(chance)))
    return steps


def says_nothing(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """Who tells the place of the carriage at rest says nothing for some seconds, in which nobody moves anything."""
    steps: list[Step] = []
    things = ["board", "counter"]
    chance.shuffle(things)
    for thing in things:
        steps += [*ready(at_s, who), Step(at_s + READY_S + chance.random(), thing, "silence", {"s": 4.0})]
        at_s += READY_S + 6.0
        steps.append(Step(at_s, who, "move", move(chance)))
        at_s += 1.0
    return steps


def not_confirmed(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """The board tells the same again and again just as it is stopped on a short way, so that nobody sees it stand."""
    steps: list[Step] = []
    for _ in range(2):
        steps += [*ready(at_s, who), Step(at_s + READY_S, who, "move", {"by_um": 700.0})]
        at_s += READY_S + chance.uniform(0.1, 0.2)
        steps.append(Step(at_s, "board", "stuck_status", {"value": True}))
        steps.append(Step(at_s + chance.uniform(0.0, 0.02), who, "stop"))
        at_s += 12.0
        steps.append(Step(at_s, "board", "stuck_status", {"value": False}))
        steps.append(Step(at_s + 0.5, who, "move", move(chance)))
        at_s += 2.0
    return steps


def alarmed(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """The board stops by itself: a limit switch, the door, a reset; at rest or in motion."""
    steps = ready(at_s, who)
    at_s += READY_S
    if chance.random() < 0.8:
        steps.append(Step(at_s, who, "move", move(chance)))
    at_s += chance.uniform(0.05, 1.0)
    steps.append(
        Step(
            at_s,
            *chance.choice(
                (
                    ("world", "switch_stuck", {"value": True}),
                    ("world", "switch_stuck", {"value": True}),
                    ("board", "open_door", {}),
                    ("board", "reset", {}),
                    ("board", "power_up", {}),
                )
            ),
        )
    )
    steps.append(Step(at_s + chance.uniform(0.1, 2.0), who, *chance.choice((("move", move(chance)), ("stop", {})))))
    return [
        *steps,
        Step(at_s + 4.0, "world", "switch_stuck", {"value": False}),
        Step(at_s + 4.0, "board", "shut_door"),
        Step(at_s + 4.5, who, "move", move(chance)),
    ]


def counts_lost(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """The counter starts anew or jumps while nothing is trusted; what is homed after it measures."""
    steps = [*ready(at_s, who), Step(at_s + READY_S, "board", "reset")]
    at_s += READY_S + 1.0
    steps.append(Step(at_s, "world", "encoder_jump", {"value": chance.choice((100.0, -250.0))}))
    return [
        *steps,
        Step(at_s + 0.5, who, "home"),
        Step(at_s + READY_S, who, "move", move(chance)),
        Step(at_s + READY_S + 6.0, "world", "encoder_power_up"),
        Step(at_s + READY_S + 7.0, who, "home"),
    ]
