"""Whether an event loop stays lively while a driver works: nothing may keep it waiting, least of all a dead device.

A busy machine keeps processes waiting as well. So a thread beats beside the loop: what both have missed is the
machine's, unless the loop was computing meanwhile, which keeps other threads from their beats, too. A system that
tells how long a thread was ready to run and was not let is believed. Old objects are not collected meanwhile: that
takes tenths of a second in a process of many tests, and is nothing that the driver does.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import sys
import threading
import time
import traceback
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

BEAT_S = 0.005
MACHINE_S = 0.02
"""A thread that beats this late was kept waiting, too."""


@asynccontextmanager
async def lively_loop(longest_s: float = 0.15) -> AsyncIterator[None]:
    """Fails where something keeps the event loop from its work for more than `longest_s` inside the block.

    It says where the loop stood then, if that was in Python.
    """
    loop_beats, thread_beats = [Beat.now()], [time.monotonic()]
    over, stood = threading.Event(), Stood(threading.get_ident(), longest_s)

    async def beat() -> None:
        while True:
            await asyncio.sleep(BEAT_S)
            loop_beats.append(Beat.now())

    def beat_beside() -> None:
        while not over.wait(BEAT_S):
            thread_beats.append(time.monotonic())
            stood.look(loop_beats[-1].t_mono)

    beside = threading.Thread(target=beat_beside, name="heartbeat beside", daemon=True)
    with nothing_collected():
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
    assert worst_s < longest_s, f"the loop stood still for {worst_s:.3f} s{stood.where}"


@contextmanager
def nothing_collected() -> Iterator[None]:
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


class Stood:
    """Where the loop's thread stood the last time that it was late."""

    def __init__(self, ident: int, longest_s: float) -> None:
        self._ident, self._late_s = ident, longest_s / 2
        self.where = ""

    def look(self, last_beat_mono: float) -> None:
        frame = sys._current_frames().get(self._ident)
        if frame is not None and time.monotonic() - last_beat_mono > self._late_s:
            self.where = ", late at:\n" + "".join(traceback.format_stack(frame, limit=6))


class Beat(NamedTuple):
    """When it was (s, monotonic), how long the loop's thread had been computing by then, and how long it had been ready
    to run and was not let (s)."""

    t_mono: float
    computed_s: float
    kept_s: float = 0.0

    @classmethod
    def now(cls) -> Beat:
        """To be called in the loop's own thread."""
        return cls(time.monotonic(), time.thread_time(), kept_waiting_s())


def kept_waiting_s() -> float:
    """How long this thread has been ready to run and was not let (s), as Linux counts it; 0 where nothing does.

    Source: the kernel's documentation, scheduler/sched-stats, /proc/<pid>/schedstat, second field (ns).
    """
    with contextlib.suppress(OSError, IndexError, ValueError):
        return (
            float(Path(f"/proc/self/task/{threading.get_native_id()}/schedstat").read_text("ascii").split()[1]) * 1e-9
        )
    return 0.0


def longest_alone(loop_beats: Sequence[Beat], thread_beats: Sequence[float]) -> float:
    """The longest gap between beats of the loop (s), less what the machine kept it waiting, at least what the loop's
    thread has computed within it.

    What the machine did is what the thread has missed as well, or what the system tells, whichever is more.
    """
    machine = [(a, b) for a, b in pairwise(thread_beats) if b - a > MACHINE_S]
    longest = 0.0
    for a, b in pairwise(loop_beats):
        missed_by_both = sum(max(0.0, min(b.t_mono, d) - max(a.t_mono, c)) for c, d in machine)
        machines_s = max(missed_by_both, b.kept_s - a.kept_s)
        longest = max(longest, b.t_mono - a.t_mono - machines_s, b.computed_s - a.computed_s)
    return longest
