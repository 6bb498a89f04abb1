"""Time as it is handed in, so that tests can hand in another: a monotonic clock for durations, UTC for the record."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime

TIMER_S = 0.0012
"""How late a timer of the event loop may come: it counts whole milliseconds, upwards."""


class Clock:
    """The machine's own clocks. Durations and time-outs come from `monotonic` alone; the wall clock may be stepped."""

    def monotonic(self) -> float:
        """Seconds from an arbitrary origin, never stepping."""
        return time.monotonic()

    def utc(self) -> str:
        """Now, RFC 3339 in UTC with milliseconds."""
        return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"

    async def sleep(self, seconds: float) -> None:
        """Wait on the loop."""
        await asyncio.sleep(seconds)

    async def until(self, t_mono: float) -> None:
        """Wait until the monotonic time `t_mono` and hardly longer: the last millisecond by letting others run."""
        left = t_mono - self.monotonic() - TIMER_S
        if left > 0.0:
            await self.sleep(left)
        while self.monotonic() < t_mono:  # noqa: ASYNC110 no event tells the time
            await asyncio.sleep(0)
