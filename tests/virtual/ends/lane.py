"""One way of a connection: what is sent arrives in order, each after a time of its own, or later if it stands still."""

from __future__ import annotations

import asyncio
import random
from collections import deque
from collections.abc import Callable

from tests.virtual.life import OUTSIDE

LATENCY_S = (0.0003, 0.003)
"""From one end of a connection to the other."""


class Lane:
    """One direction of a connection: what is put in comes out in order, each after a time of its own."""

    def __init__(self, chance: random.Random) -> None:
        self._chance = chance
        self._loop = asyncio.get_running_loop()
        self._queue: deque[tuple[float, Callable[[], None]]] = deque()
        self._last_s = 0.0
        self._timer: asyncio.TimerHandle | None = None
        self._stalled = False
        self.ended = False
        self.lag_s = 0.0
        """Added to what each takes."""

    def put(self, arrive: Callable[[], None]) -> None:
        if self.ended:
            return
        self._last_s = max(self._last_s, self._loop.time() + self.lag_s + self._chance.uniform(*LATENCY_S))
        self._queue.append((self._last_s, arrive))
        if self._timer is None and not self._stalled:
            self._timer = self._loop.call_at(self._last_s, self._arrived, context=OUTSIDE)

    def _arrived(self) -> None:
        self._timer = None
        now = self._loop.time()
        while self._queue and self._queue[0][0] <= now and not self._stalled and not self.ended:
            self._queue.popleft()[1]()
        if self._queue and not self._stalled and not self.ended:
            self._timer = self._loop.call_at(max(self._queue[0][0], now), self._arrived, context=OUTSIDE)

    def stall(self, on: bool) -> None:
        self._stalled = on
        if not on and self._queue and self._timer is None and not self.ended:
            due_s = max(self._queue[0][0], self._loop.time())
            self._timer = self._loop.call_at(due_s, self._arrived, context=OUTSIDE)

    def end(self) -> None:
        self.ended = True
        self._queue.clear()
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
