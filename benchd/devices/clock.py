"""The injected clock, which tests can replace: monotonic time for durations, UTC for the record."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime

TIMER_S = 0.0012
"""How late a timer of the event loop may fire: it rounds up to whole milliseconds."""


class Clock:
    """The machine's own clocks. Durations and timeouts come from `monotonic` alone; the wall clock may be stepped."""

    def monotonic(self) -> float:
        """Seconds from an arbitrary origin; never stepped."""
        return time.monotonic()

    def utc(self) -> str:
        """Now, RFC 3339 in UTC with milliseconds."""
        return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"

    async def sleep(self, seconds: float) -> None:
        """Wait on the loop."""
        await asyncio.sleep(seconds)

    async def until(self, t_mono: float) -> None:
        """Wait until the monotonic time `t_mono`, precisely: the last millisecond is polled while other tasks run."""
        left = t_mono - self.monotonic() - TIMER_S
        if left > 0.0:
            await self.sleep(left)
        while self.monotonic() < t_mono:  # noqa: ASYNC110 there is no event to wait for
            await asyncio.sleep(0)
