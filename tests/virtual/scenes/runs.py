"""Scenes of a run that is paused, asked, broken off or disturbed."""

from __future__ import annotations

import random
from typing import Any

from tests.virtual.scenes.parts import READY_S, SET_UP_S, Do, other, ready, set_up, stops
from tests.virtual.schedule import Step


def held_up(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A sweep is paused or stopped, goes on, and is paused again on its way back; somebody else tries to resume it."""
    steps = [*set_up(at_s, who), Step(at_s + SET_UP_S, who, "sweep", {"repeats": 3})]
    at_s += SET_UP_S + chance.uniform(0.5, 6.0)
    holds = ["stop"] * 2 + ["pause"] * 6
    chance.shuffle(holds)
    others = chance.sample(range(len(holds)), 2)
    for turn, hold in enumerate(holds):
        steps.append(Step(at_s, who, hold))
        at_s += chance.choice((0.05, 0.8))
        if turn in others:
            steps.append(Step(at_s, other(who), "resume"))
            at_s += 0.3
        steps.append(Step(at_s, who, "resume"))
        at_s += chance.choice((chance.uniform(0.02, 0.35), chance.uniform(0.02, 0.35), 2.0))
    return [*steps, Step(at_s, who, chance.choice(("pause", "stop", "abort"))), Step(at_s + 2.0, who, "abort")]


def written_slowly(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """The disk is slow as a sweep begins, and a stop comes meanwhile."""
    steps = set_up(at_s, who)
    at_s += SET_UP_S
    for _ in range(3):
        slow_s = chance.choice((0.3, 1.0))
        steps.append(Step(at_s, "disk", "slow", {"s": slow_s}))
        steps.append(Step(at_s + 0.1, who, "sweep", {"repeats": 1}))
        steps.append(stops(chance, at_s + 0.12 + chance.uniform(0.0, slow_s), who))
        steps.append(Step(at_s + 3.0, "disk", "clear"))
        steps.append(Step(at_s + 3.0, who, "abort"))
        at_s += 5.0
    return steps


def broken_off(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """The daemon is killed while it measures and its disk is slow, then killed, ended or held up; and ended or killed
    with a light on."""
    ends: list[tuple[str, str, dict[str, Any]]] = [
        ("daemon", "kill", {"down_s": 0.1}),
        ("daemon", "restart", {"down_s": 0.0}),
        ("machine", "held", {"for_s": 0.8}),
    ]
    steps: list[Step] = []
    for slow_s, (thing, what, args) in ((1.0, ends[0]), (0.0, chance.choice(ends))):
        steps += set_up(at_s, who)
        at_s += SET_UP_S
        steps.append(Step(at_s, "disk", "slow", {"s": slow_s}))
        begins: Do = chance.choice((("sweep", {"repeats": 1}), ("zero", {})))
        steps.append(Step(at_s, who, *begins))
        aimed = {
            "when": "measuring",
            "nth": chance.choice((1, 3, 9)),
            "later_s": round(chance.choice((0.0, 0.0, 0.05)) * chance.random(), 4),
        }
        steps.append(Step(at_s, thing, what, args | aimed))
        at_s += 21.0
        steps.append(Step(at_s, "disk", "clear"))
        at_s += 1.0
    lit = ends[:2]
    chance.shuffle(lit)
    for thing, what, args in lit:
        steps.append(Step(at_s, who, "light", {"light": "target_light", "level": 0.4}))
        steps.append(Step(at_s + 1.0, thing, what, args))
        at_s += 6.0
    return steps


def disturbed(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """While a sweep is under way its light changes, by little or by much, or its plate or its trim is to."""
    steps = set_up(at_s, who)
    at_s += SET_UP_S
    little: Do = ("light", {"light": "target_light", "level": 0.95})
    much: Do = ("light", {"light": "target_light", "level": chance.choice((0.4, 0.7))})
    refused: list[Do] = [("setup", {"set": {"glass": []}}), ("setup", {"set": {"trim_um": 20.0}})]
    for what, args in (little, chance.choice((much, much, *refused))):
        steps.append(Step(at_s, who, "sweep", {"repeats": 1}))
        steps.append(Step(at_s, who, what, args | {"when": "measuring", "nth": chance.choice((2, 5, 9))}))
        at_s += 25.0
        steps.append(Step(at_s, who, "light", {"light": "target_light", "level": 1.0}))
        at_s += 1.0
    return steps


def there_and_back(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A run that moves in the end as well, and has called another, is stopped, aborted, paused or loses its place."""
    steps = ready(at_s, who)
    at_s += READY_S
    steps.append(Step(at_s, who, "run", {"procedure": "there_and_back", "inputs": {}}))
    at_s += chance.uniform(0.3, 14.0)
    for _ in range(4):
        does = chance.choice(
            (
                Step(at_s, who, "pause"),
                Step(at_s, who, "pause"),
                stops(chance, at_s, who),
                stops(chance, at_s, who),
                Step(at_s, who, "abort"),
                Step(at_s, "world", "push", {"value": 300.0}),
                Step(at_s, "board", "reset"),
                Step(at_s, who, "answer", {"value": True}),
            )
        )
        steps.append(does)
        if does.who in ("world", "board"):
            at_s += 14.0  # it has to end by itself
        at_s += chance.choice((0.05, 0.5, 2.0))
        steps.append(Step(at_s, who, chance.choice(("resume", "abort", "abort", "answer"))))
        at_s += chance.choice((0.3, 1.0, 4.0))
    return [*steps, Step(at_s + 3.0, who, "abort")]


def goes_back(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A run that has gone far away from a lens's nominal is held up, and resumed."""
    steps = [*set_up(at_s, who), Step(at_s + SET_UP_S, who, "run", {"procedure": "there_and_back", "inputs": {}})]
    at_s += SET_UP_S + chance.uniform(3.0, 6.0)
    for _ in range(2):
        steps.append(chance.choice((Step(at_s, who, "pause"), stops(chance, at_s, who))))
        at_s += chance.choice((1.0, 6.0))
        steps.append(Step(at_s, who, "resume"))
        at_s += chance.uniform(5.0, 8.0)
    return [*steps, Step(at_s, who, "abort")]


def cut_short(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """The same run is stopped on its way and at its question, and then aborted; aborted in the one that it has called;
    and loses its place at its question, where it has to end by itself."""
    steps: list[Step] = []
    begun = {"procedure": "there_and_back", "inputs": {}}
    on_its_way_s, lit_s, asks_s = chance.uniform(0.5, 2.5), chance.uniform(4.0, 6.5), 12.0
    for after_s, ends in ((on_its_way_s, "stop"), (asks_s, "stop"), (lit_s, "abort"), (asks_s, "push")):
        steps += [*ready(at_s, who), Step(at_s + READY_S, who, "run", begun)]
        at_s += READY_S + after_s
        match ends:
            case "stop":
                steps += [stops(chance, at_s, who), Step(at_s + chance.choice((0.7, 2.0)), who, "abort")]
            case "abort":
                steps.append(Step(at_s, who, "abort"))
            case _:
                steps.append(Step(at_s, "world", "push", {"value": 300.0}))
                at_s += 14.0
        at_s += 8.0
    return [*steps, Step(at_s, who, "abort")]


def checked(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """The bench is calibrated and a lens checked, in order; then swept again, with a plate and without, and again when
    its zero was withdrawn."""
    steps = [*ready(at_s, who), Step(at_s + READY_S, who, "calibrate"), Step(at_s + READY_S + 80.0, who, "check")]
    at_s += READY_S + 130.0
    for _ in range(2):
        steps.append(Step(at_s, who, "arrange", {"lens": "L-0417", "glass": chance.choice(([], ["pane-25"]))}))
        steps.append(Step(at_s + 0.5, who, "light", {"light": "target_light", "level": 1.0}))
        steps.append(Step(at_s + 1.0, who, "nominal"))
        steps.append(Step(at_s + 8.0, who, "sweep", {"repeats": 1}))
        steps.append(Step(at_s + 30.0, who, "sweep", {"repeats": 1}))
        at_s += 52.0
    steps.append(Step(at_s, who, "run", {"procedure": "base_loosened", "inputs": {}}))
    steps.append(Step(at_s + 1.0, who, "answer"))  # whether the glass is meant as it is, where that is asked
    return [*steps, Step(at_s + 30.0, who, "sweep", {"repeats": 1}), Step(at_s + 52.0, who, "abort")]


def asked(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """A question stands, and is answered late, early, twice, while the run is paused, or by nobody."""
    procedure, inputs, next_s = chance.choice(
        (("bench_zero", {"reference": "collar-45"}, 8.0), ("asked_thrice", {}, 1.0), ("asked_thrice", {}, 1.0))
    )
    steps = [
        *ready(at_s, who),
        Step(at_s + READY_S, who, "run", {"procedure": procedure, "inputs": inputs}),
    ]
    steps.append(Step(at_s + READY_S + 0.5, who, "answer", {"value": True}))
    at_s += READY_S + chance.choice((1.0, next_s))  # in the one, the next question comes after a motion
    steps.append(Step(at_s, chance.choice((who, other(who))), "answer", {"value": True, "late": True}))
    at_s += 0.5
    for _ in range(7):
        answer = {
            "value": chance.choice((True, True, False)),
            "late": chance.random() < 0.5,
            "twice": chance.random() < 0.3,
        }
        do: Do = chance.choice((*[("answer", answer)] * 4, ("pause", {}), ("resume", {}), ("stop", {})))
        steps.append(Step(at_s, chance.choice((who, who, other(who))), *do))
        at_s += chance.choice((0.05, 1.0, 3.0))
    return [*steps, Step(at_s + 1.0, who, "abort")]


def passed_through(chance: random.Random, at_s: float, who: str) -> list[Step]:
    """Passes at constant speed, into which stops, pauses and the end of the daemon fall."""
    steps = set_up(at_s, who)
    at_s += SET_UP_S
    steps.append(Step(at_s, who, "sweep", {"mode": "continuous"}))
    at_s += chance.uniform(2.0, 6.0)
    for _ in range(2):
        steps.append(Step(at_s, who, chance.choice(("pause", "stop"))))
        at_s += chance.choice((0.05, 0.8))
        steps.append(Step(at_s, who, "resume"))
        at_s += chance.uniform(0.3, 4.0)
    at_s += 8.0
    steps.append(Step(at_s, who, "abort"))
    at_s += 1.0
    steps.append(Step(at_s, who, "sweep", {"mode": "continuous"}))
    at_s += chance.uniform(2.5, 6.0)
    if chance.random() < 0.5:
        return [*steps, Step(at_s, "daemon", "kill", {"down_s": 0.1})]
    return [*steps, stops(chance, at_s, who), Step(at_s + 1.0, who, "abort")]
