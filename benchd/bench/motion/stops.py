"""Stops counted, so that whoever awaited something knows whether one came between; and waited for until all stand."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Iterator
from contextlib import contextmanager

from benchd.bench.jobs import Stopped
from benchd.devices import Clock


class Stops:
    """How many stops there were and when the last came (s, monotonic); nothing moves while one is on its way."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.count = 0
        self.last_by: str | None = None
        self.last_s = -math.inf
        self._halting = 0
        self._halted = asyncio.Event()
        self._halted.set()

    @contextmanager
    def one(self, by: str | None = None) -> Iterator[None]:
        """A stop (of a user, or the bench's own) from when it is asked for until everything is known to stand."""
        self.count += 1
        self.last_by = by
        self.last_s = self._clock.monotonic()
        self._halting += 1
        self._halted.clear()
        try:
            yield
        finally:
            self._halting -= 1
            if not self._halting:
                self._halted.set()

    def check(self, count: int) -> None:
        """Raise Stopped where there was one since the count was this."""
        if self.count != count:
            raise Stopped(self.last_by)

    async def free(self, since: int | None) -> int:
        """Wait until no stop is on its way to standstill; gives the count to `check` with. Raises Stopped."""
        count = self.count if since is None else since
        self.check(count)
        await self._halted.wait()
        self.check(count)
        return count
