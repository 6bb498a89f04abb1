"""Hours of use and misuse, drawn from one number: who does what, what breaks, and when."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from tests.virtual.broken import FAULTS, MENDS
from tests.virtual.moments import MOMENTS
from tests.virtual.pressed import has_switches, presses
from tests.virtual.scenes import played_in_turn
from tests.virtual.schedule import Step, misleads
from tests.virtual.used import HANDS, STRANGE, USE, Draw

T = TypeVar("T")


@dataclass(frozen=True)
class Pace:
    """How much happens: bouts, the steps of one, the mean time between them (s) and the quiet after it (s), each drawn
    from those given; the share of bouts with an errand; which histories are honest ones, every so many; and of scenes
    how many kinds and how many in all, before any bout."""

    bouts: int
    steps: tuple[int, int]
    apart_s: tuple[float, ...]
    quiet_s: tuple[float, ...]
    errands: float
    honest: int
    scenes: tuple[int, int] = (0, 0)


BUSY = Pace(3, (5, 25), (0.05, 0.5, 3.0), (2.0, 20.0, 120.0), 0.8, 3)
CALM = replace(BUSY, quiet_s=(20.0, 600.0, 1500.0))
"""As on a bench used some times a day: an hour holds some hundred commands, ten faults, five findings, and a kill."""
DENSE = Pace(5, (15, 50), (0.05, 0.3, 1.0), (1.0, 5.0), 0.4, 6)
"""Where much is to be tried in little time."""
TRYING = replace(DENSE, bouts=0, scenes=(3, 6))
"""Where each guard is tried."""


FOLLOWED = {
    "typed": ("stop",),
    "home": ("stop",),
    "move": ("stop",),
    "sweep": ("pause", "stop"),
    "zero": ("pause",),
    "pause": ("resume",),
    "resume": ("pause", "stop", "abort"),
}
"""What comes soon after what, while that is still under way."""
FOLLOWS_S = 4.0
AIMED = ("when", "nth", "later_s")


def drawn(seed: int, pace: Pace = BUSY, *, faults: bool = True) -> list[Step]:
    """Some bouts of activity with quiet between; in each some faults. The first thing each time is to take and home.

    Honest histories begin with a calibration and a check, and nobody is there who says or does what is not so.
    """
    chance = random.Random(seed)
    honest = seed % pace.honest == 0
    steps: list[Step] = []
    at_s = 1.0
    if honest:
        steps = [Step(1.0, "alice", "take"), Step(1.5, "alice", "calibrate"), Step(80.0, "alice", "check")]
        at_s = chance.choice((90.0, 120.0))
    if pace.scenes[1]:
        steps += played_in_turn(chance, at_s, seed, *pace.scenes)
        steps += [replace(one, at_s=steps[-1].at_s + 6.0) for one in MENDS]
        at_s = max(step.at_s for step in steps) + 2.0
    for _ in range(pace.bouts):
        who = chance.choice(("alice", "bob"))
        bout = [Step(at_s, who, "take"), Step(at_s + 0.2, who, "home")]
        if chance.random() < pace.errands:
            errand = _errand(chance, who, at_s + 12.0)
            bout += errand
            ends_s = errand[-1].at_s + 25.0
            at_s = chance.choice((at_s, ends_s))
        else:
            ends_s = at_s
        at_s += 12.0
        apart_s = chance.choice(pace.apart_s)
        for _ in range(chance.randrange(*pace.steps)):
            at_s += chance.expovariate(1.0 / apart_s)
            bout.append(step := _step(chance, at_s, who))
            if step.do in FOLLOWED and chance.random() < 0.4:
                within_s = step.args.get("after_s", FOLLOWS_S)  # while what was typed is on its way
                follows = chance.choice(FOLLOWED[step.do])
                bout.append(Step(at_s + chance.uniform(0.0, within_s), who, follows))
        if faults:
            bout += _faults(chance, bout)
        at_s = max(at_s, ends_s) + chance.choice(pace.quiet_s)
        steps += [step for step in bout if not (honest and misleads(step))]
        if faults:
            steps += [replace(one, at_s=at_s) for one in MENDS]
        at_s += 5.0
    steps = _some_by_next_lens(steps, seed)
    if faults and has_switches(seed):
        steps += presses(steps, seed)
    return sorted((replace(step, at_s=round(step.at_s, 3)) for step in steps), key=lambda step: step.at_s)


def _some_by_next_lens(steps: Sequence[Step], seed: int) -> list[Step]:
    """Half of the checks by `next_lens`, some with the lens seated anew; of the others some are a plate in and out: by
    chances of their own, so that all else of a history stays what its number has always drawn."""
    chance, toggles = random.Random(f"{seed} next"), random.Random(f"{seed} toggle")
    found = []
    for step in steps:
        by_next, reseat = chance.random() < 0.5, chance.choice((0, 0, 1, 2))
        if step.do == "check" and not by_next and "forgets" not in step.args and toggles.random() < 0.5:
            when = {key: value for key, value in step.args.items() if key in AIMED}
            found.append(replace(step, do="toggle", args=when))
            continue
        if step.do != "check" or not by_next:
            found.append(step)
            continue
        forgets = {"forgets": chance.choice(("seated", "seat_anew"))} if "forgets" in step.args else {}
        when = {key: value for key, value in step.args.items() if key in AIMED}
        found.append(replace(step, do="next", args={"reseat": reseat, **forgets, **when}))
    return found


def _errand(chance: random.Random, who: str, at_s: float) -> list[Step]:
    """What somebody came for: something with a finding in the end, as a rule."""
    kind = chance.choice(("zero", "zero", "zero", "sweep", "sweep", "check"))
    if kind == "zero":
        return [Step(at_s + 45.0 * turn, who, "zero") for turn in range(chance.randrange(2, 6))]
    glass = chance.choice(([], ["pane-25"]))
    if kind == "check":
        return [Step(at_s, who, "check", {"repeats": 3})]
    steps = [
        Step(at_s, who, "arrange", {"lens": "L-0417", "glass": glass}),
        Step(at_s + 1.0, who, "nominal"),
        Step(at_s + 6.0, who, "light", {"level": 1.0}),
    ]
    return steps + [
        Step(at_s + 8.0 + 30.0 * turn, who, "sweep", {"repeats": 1}) for turn in range(chance.randrange(1, 4))
    ]


def _step(chance: random.Random, at_s: float, who: str) -> Step:
    roll = chance.random()
    if roll < 0.12:
        what, draw = _chosen(chance, STRANGE)
        return Step(at_s, "stranger", what, draw(chance))
    if roll < 0.16:
        what, draw = _chosen(chance, HANDS)
        return Step(at_s, "hand", what, draw(chance))
    what, draw = _chosen(chance, USE)
    by = who if chance.random() < 0.75 else "bob" if who == "alice" else "alice"
    return Step(at_s, by, what, draw(chance) | _aimed(chance, 0.1))


def _chosen(chance: random.Random, table: Sequence[tuple[float, str, Draw]]) -> tuple[str, Draw]:
    _, what, draw = chance.choices(table, [one[0] for one in table])[0]
    return what, draw


def _faults(chance: random.Random, bout: Sequence[Step]) -> list[Step]:
    """Some of them: at any time, just after a step, or at a moment; often a second one soon after."""
    first_s, last_s = bout[0].at_s, max(step.at_s for step in bout) + 10.0
    steps: list[Step] = []
    for _ in range(chance.randrange(5)):
        if chance.random() < 0.4:
            at_s = chance.choice(bout).at_s + chance.uniform(0.0, 0.05)
        else:
            at_s = chance.uniform(first_s, last_s)
        steps.append(_fault(chance, at_s, _aimed(chance, 0.4)))
        if chance.random() < 0.3:
            steps.append(_fault(chance, at_s + chance.uniform(0.0, 1.0), {}))
    return steps


def _fault(chance: random.Random, at_s: float, aimed: dict[str, object]) -> Step:
    _, thing, what, draw = chance.choices(FAULTS, [one[0] for one in FAULTS])[0]
    return Step(at_s, thing, what, draw(chance) | aimed)


def _aimed(chance: random.Random, share: float) -> dict[str, object]:
    """At a moment instead of a time, now and then."""
    if chance.random() >= share:
        return {}
    nth = chance.choice((1, 1, 2, 5, 20, 60))
    return {
        "when": chance.choice(MOMENTS),
        "nth": nth,
        "later_s": round(chance.choice((0.0, chance.uniform(0, 0.05))), 4),
    }
