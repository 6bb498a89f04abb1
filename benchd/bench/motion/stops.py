"""Counting of stops, so that a caller can tell after an await whether one came in between; waiting for standstill."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Iterator
from contextlib import contextmanager

from benchd.bench.jobs import Stopped
from benchd.devices import Clock


class Stops:
    """Number of stops and time of the last (s, monotonic); no motion begins before a stop has reached standstill."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.count = 0
        self.last_by: str | None = None
        self.last_s = -math.inf
        self._halting = 0
        self._halted = asyncio.Event()
        self._halted.set()

    @contextmanager
    def stopping(self, by: str | None = None) -> Iterator[None]:
        """Context of one stop (by a user, or by the bench itself): from the request until standstill."""
        self.void(by)
        with self.halting():
            yield

    @contextmanager
    def halting(self) -> Iterator[None]:
        """Context of coming to rest, of one more of what one stop stops: no motion begins inside it."""
        self._halting += 1
        self._halted.clear()
        try:
            yield
        finally:
            self._halting -= 1
            if not self._halting:
                self._halted.set()

    def void(self, by: str | None = None) -> None:
        """Count one more: what was asked for before does not begin any more. Nothing is stopped by that alone."""
        self.count += 1
        self.last_by = by
        self.last_s = self._clock.monotonic()

    def check(self, count: int) -> None:
        """Raise Stopped if there was a stop since the number was `count`."""
        if self.count != count:
            raise Stopped(self.last_by)

    async def free(self, since: int | None) -> int:
        """Wait until every stop has reached standstill; gives the number for `check`. Raises Stopped."""
        count = self.count if since is None else since
        self.check(count)
        await self._halted.wait()
        self.check(count)
        return count
