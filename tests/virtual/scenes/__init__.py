"""Short scenes that try one guard each: what is done in which order, at times drawn anew; a history tries a few kinds.

That each history leaves most kinds out lets it try the others often, and in more orders (swarm testing: Groce, Zhang,
Eide, Chen and Regehr 2012).
"""

from __future__ import annotations

import random
from collections.abc import Callable

from tests.virtual.pressed import has_switches
from tests.virtual.scenes.asking import (
    at_the_bounds,
    lapse,
    retained,
    said_again,
    stop_upon_stop,
    too_near,
    typed_ahead,
)
from tests.virtual.scenes.hands import next_in_turn, toggled
from tests.virtual.scenes.runs import (
    asked,
    broken_off,
    checked,
    cut_short,
    disturbed,
    goes_back,
    held_up,
    there_and_back,
    written_slowly,
)
from tests.virtual.scenes.switches import pressed
from tests.virtual.scenes.trust import (
    alarmed,
    counts_lost,
    homing_broken_off,
    loses_steps,
    not_confirmed,
    pushed,
    says_nothing,
    unplugged,
)
from tests.virtual.schedule import Step

Scene = Callable[[random.Random, float, str], list[Step]]

OF_ASKING = (typed_ahead, lapse, at_the_bounds, too_near, retained, said_again, stop_upon_stop)
OF_TRUST = (pushed, loses_steps, homing_broken_off, unplugged, says_nothing, not_confirmed, alarmed, counts_lost)
OF_RUNS = (held_up, written_slowly, broken_off, disturbed, there_and_back, goes_back, cut_short, asked, checked)
OF_HANDS = (next_in_turn, toggled)
OF_SWITCHES = (pressed,)
SCENES: dict[str, Scene] = {one.__name__: one for one in (*OF_ASKING, *OF_TRUST, *OF_RUNS, *OF_HANDS, *OF_SWITCHES)}


def played_in_turn(chance: random.Random, at_s: float, turn: int, kinds: int, scenes: int) -> list[Step]:
    """So many scenes of so many kinds, each begun when the last is over; one `turn`, which is the number of the
    history, after the other all kinds come that the bench of that number has the hardware for."""
    order = sorted(name for name, scene in SCENES.items() if scene not in OF_SWITCHES or has_switches(turn))
    random.Random(0).shuffle(order)
    chosen = [order[(turn * kinds + one) % len(order)] for one in range(kinds)]
    steps: list[Step] = []
    for one in range(scenes):
        scene = SCENES[chosen[one % kinds]](chance, at_s, chance.choice(("alice", "bob")))
        steps += scene
        at_s = max(step.at_s for step in scene) + chance.choice((2.0, 6.0))
    return steps
