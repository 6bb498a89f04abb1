"""Whose turn it is on a line that carries one question at a time: a stop before all others, those in their order."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager


class Turns:
    """A lock with two queues. Who gives up waiting has had no turn."""

    def __init__(self) -> None:
        self._taken = False
        self._first: deque[asyncio.Future[None]] = deque()
        self._others: deque[asyncio.Future[None]] = deque()

    @asynccontextmanager
    async def turn(self, *, first: bool) -> AsyncIterator[None]:
        """One's turn, `first` ahead of all who are not."""
        await self._wait(self._first if first else self._others)
        try:
            yield
        finally:
            self._pass_on()

    async def _wait(self, queue: deque[asyncio.Future[None]]) -> None:
        if not self._taken:
            self._taken = True
            return
        mine: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        queue.append(mine)
        try:
            await mine
        except asyncio.CancelledError:
            if not mine.cancelled():  # it was this one's turn already
                self._pass_on()
            raise

    def _pass_on(self) -> None:
        for queue in (self._first, self._others):
            while queue:
                next_one = queue.popleft()
                if not next_one.done():
                    next_one.set_result(None)
                    return
        self._taken = False
