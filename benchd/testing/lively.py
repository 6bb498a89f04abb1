"""Whether an event loop stays lively while a driver works: nothing may keep it waiting, least of all a dead device.

A busy machine keeps processes waiting as well. So a thread beats beside the loop: what both have missed is the
machine's, unless the loop was computing meanwhile, which keeps other threads from their beats, too.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from itertools import pairwise
from typing import NamedTuple

BEAT_S = 0.005
MACHINE_S = 0.02
"""A thread that beats this late was kept waiting, too."""


@asynccontextmanager
async def lively_loop(longest_s: float = 0.15) -> AsyncIterator[None]:
    """Fails where something keeps the event loop from its work for more than `longest_s` inside the block."""
    loop_beats, thread_beats = [Beat.now()], [time.monotonic()]
    over = threading.Event()

    async def beat() -> None:
        while True:
            await asyncio.sleep(BEAT_S)
            loop_beats.append(Beat.now())

    def beat_beside() -> None:
        while not over.wait(BEAT_S):
            thread_beats.append(time.monotonic())

    beside = threading.Thread(target=beat_beside, name="heartbeat beside", daemon=True)
    beside.start()
    task = asyncio.create_task(beat(), name="heartbeat")
    try:
        yield
    finally:
        await asyncio.sleep(2 * BEAT_S)  # one beat more on each side, so that the last gap is seen as well
        task.cancel()
        await asyncio.wait({task})
        over.set()
        await asyncio.to_thread(beside.join)
        thread_beats.append(time.monotonic())
    worst_s = longest_alone(loop_beats, thread_beats)
    assert worst_s < longest_s, f"the loop stood still for {worst_s:.3f} s"


class Beat(NamedTuple):
    """When it was (s, monotonic), and how long the loop's thread had been computing by then (s)."""

    t_mono: float
    computed_s: float

    @classmethod
    def now(cls) -> Beat:
        """To be called in the loop's own thread."""
        return cls(time.monotonic(), time.thread_time())


def longest_alone(loop_beats: Sequence[Beat], thread_beats: Sequence[float]) -> float:
    """The longest gap between beats of the loop (s), less what the thread has missed within it, at least what the
    loop's thread has computed within it."""
    machine = [(a, b) for a, b in pairwise(thread_beats) if b - a > MACHINE_S]
    longest = 0.0
    for a, b in pairwise(loop_beats):
        missed_by_both = sum(max(0.0, min(b.t_mono, d) - max(a.t_mono, c)) for c, d in machine)
        longest = max(longest, b.t_mono - a.t_mono - missed_by_both, b.computed_s - a.computed_s)
    return longest
