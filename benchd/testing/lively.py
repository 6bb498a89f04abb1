"""Whether an event loop stays lively while a driver works: nothing may keep it waiting, least of all a dead device.

A busy machine keeps processes waiting as well. So a thread beats beside the loop: what both have missed is the
machine's, and only what the loop alone has missed is the driver's.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from itertools import pairwise

BEAT_S = 0.005
MACHINE_S = 0.02
"""A thread that beats this late was kept waiting, too."""


@asynccontextmanager
async def lively_loop(longest_s: float = 0.15) -> AsyncIterator[None]:
    """Fails where something keeps the event loop from its work for more than `longest_s` inside the block."""
    loop_beats, thread_beats = [time.monotonic()], [time.monotonic()]
    over = threading.Event()

    async def beat() -> None:
        while True:
            await asyncio.sleep(BEAT_S)
            loop_beats.append(time.monotonic())

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


def longest_alone(loop_beats: Sequence[float], thread_beats: Sequence[float]) -> float:
    """The longest gap between beats of the loop (s), less what the thread has missed within it."""
    machine = [(a, b) for a, b in pairwise(thread_beats) if b - a > MACHINE_S]
    gaps = (b - a - sum(max(0.0, min(b, d) - max(a, c)) for c, d in machine) for a, b in pairwise(loop_beats))
    return max(gaps, default=0.0)
