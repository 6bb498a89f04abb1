"""Plays histories until a rule is broken, and prints its name; for `soak_mutants`, in a process of its own."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from itertools import count
from pathlib import Path

from soak_mutants import BROKEN
from tests.virtual.drawn import DENSE, TRYING, drawn
from tests.virtual.play import play
from tests.virtual.rules.findings_hold import misses_too_often
from tests.virtual.scenes import SCENES
from tests.virtual.schedule import Step

LONG = ("toggled", "next_in_turn", "checked")
"""Scenes of many seconds of a processor."""
ALL_HARDWARE = 1
"""The number of a bench that has what every scene needs."""

TURNED_S = 5.0
"""In so much of a processor's time a loop turns thousands of times, or something holds it for ever."""


def _watch_turns() -> None:
    """Ends the process where the loop of a history does not turn any more."""
    seen: list[int | None] = [None]

    def look(*_: object) -> None:
        turns = getattr(asyncio._get_running_loop(), "_turns", None)
        if turns is not None and turns == seen[0]:
            print("Endless", flush=True)
            os._exit(BROKEN)
        seen[0] = turns

    signal.signal(signal.SIGVTALRM, look)
    signal.setitimer(signal.ITIMER_VIRTUAL, TURNED_S, TURNED_S)


def main(limit_s: float) -> int:
    """BROKEN with the rule's name where one was broken, 0 where none was in time."""
    import benchd

    here = Path(__file__).resolve().parent.parent
    assert Path(benchd.__file__).is_relative_to(here), f"{benchd.__file__} is not the copy in {here}"
    _watch_turns()
    counts: Counter[str] = Counter()
    ends = time.monotonic() + limit_s
    for steps, seed, curves in _histories():
        if time.monotonic() > ends:
            break
        outcome = play(steps, seed, curves=curves)
        counts.update(outcome.counts)
        if misses_too_often(counts["findings missed"], counts["findings judged"]):
            print("FindingsHold")
            return BROKEN
        if outcome.broken and time.monotonic() < ends:
            print(outcome.broken[0].rule)
            return BROKEN
    return 0


def _histories() -> Iterator[tuple[list[Step], int, bool]]:
    """Each scene by itself, the long ones last; then several together, in all orders. With the number of the bench, and
    whether it takes no pictures."""
    for name in sorted(SCENES, key=lambda name: LONG.index(name) if name in LONG else -1):
        yield SCENES[name](random.Random(ALL_HARDWARE), 1.0, "alice"), ALL_HARDWARE, True
    for seed in count(1):
        yield drawn(seed, TRYING if seed % 8 > 0 else DENSE, faults=seed % 2 == 0), seed, seed % 8 > 0


if __name__ == "__main__":
    caught = main(float(sys.argv[1]))
    signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)  # as the process ends nobody takes the signal any more
    sys.exit(caught)
