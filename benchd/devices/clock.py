"""The clock, which tests can replace: monotonic time for durations, UTC for the record.

Time is that of the event loop. Loops have the machine's; one that keeps a time of its own (`OwnTime`, for benches that
live hours in a second) is followed by every clock that is asked on it.
"""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime
from typing import Any, Protocol

TIMER_S = 0.0012
"""How late a timer of the event loop may fire: it rounds up to whole milliseconds."""


class OwnTime(Protocol):
    """What an event loop offers that does not go by the machine's clocks; its timers are exact."""

    def time(self) -> float: ...
    def now_utc(self) -> datetime: ...


def _own_time() -> OwnTime | None:
    loop: Any = asyncio._get_running_loop()
    return loop if hasattr(loop, "now_utc") else None


class Clock:
    """The clocks of the running event loop. Durations come from `monotonic` alone: the other may be stepped.

    Asked where no loop runs, as in a thread, it tells the machine's.
    """

    def monotonic(self) -> float:
        """Seconds from an arbitrary origin; never stepped."""
        return now_s()

    def utc(self) -> str:
        """Now, RFC 3339 in UTC with milliseconds."""
        return now_utc().isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"

    async def sleep(self, seconds: float) -> None:
        """Wait on the loop."""
        await asyncio.sleep(seconds)

    async def until(self, t_mono: float) -> None:
        """Wait until the monotonic time `t_mono`, precisely: the last millisecond is polled while other tasks run."""
        if _own_time() is not None:
            while (left := t_mono - self.monotonic()) > 0.0:  # a sum of times may end short of it by a rounding
                await self.sleep(left)
            return
        left = t_mono - self.monotonic() - TIMER_S
        if left > 0.0:
            await self.sleep(left)
        while self.monotonic() < t_mono:  # noqa: ASYNC110 there is no event to wait for
            await asyncio.sleep(0)


def now_s() -> float:
    """`Clock.monotonic`, for what is too small to be handed a clock."""
    own = _own_time()
    return time.monotonic() if own is None else own.time()


async def done_within(work: asyncio.Future[Any], within_s: float | None) -> bool:
    """Whether it is done by then; it is neither cancelled nor asked for its result.

    As `asyncio.wait` of it alone, at half of the cost: each question to a device is waited for so, twice.
    """
    loop = asyncio.get_running_loop()
    waiter: asyncio.Future[None] = loop.create_future()

    def wake() -> None:
        if not waiter.done():
            waiter.set_result(None)

    def done(_: asyncio.Future[Any]) -> None:
        if timer is not None:
            timer.cancel()
        wake()

    timer = None if within_s is None else loop.call_later(within_s, wake)
    work.add_done_callback(done)
    try:
        await waiter
    finally:
        if timer is not None:
            timer.cancel()
        work.remove_done_callback(done)
    return work.done()


def now_utc() -> datetime:
    """The wall clock, in UTC."""
    own = _own_time()
    return datetime.now(UTC) if own is None else own.now_utc()
