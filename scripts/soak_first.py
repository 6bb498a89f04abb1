"""Plays histories until a rule is broken, and prints its name; for `soak_mutants`, in a process of its own."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import time
from collections import Counter
from pathlib import Path

from soak_mutants import BROKEN
from tests.virtual.drawn import DENSE, TRYING, drawn
from tests.virtual.play import play
from tests.virtual.rules.findings_hold import misses_too_often

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
    ends, seed = time.monotonic() + limit_s, 0
    while time.monotonic() < ends:
        seed += 1
        pace = TRYING if seed % 8 > 0 else DENSE
        outcome = play(drawn(seed, pace, faults=seed % 2 == 0), seed, curves=seed % 8 > 0)
        counts.update(outcome.counts)
        if misses_too_often(counts["findings missed"], counts["findings judged"]):
            print("FindingsHold")
            return BROKEN
        if outcome.broken and time.monotonic() < ends:
            print(outcome.broken[0].rule)
            return BROKEN
    return 0


if __name__ == "__main__":
    caught = main(float(sys.argv[1]))
    signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)  # as the process ends nobody takes the signal any more
    sys.exit(caught)
