"""How the board's tasks wait for each other, and how a reset takes the ground from under them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress

TICK_S = 0.001
LONGEST_TICK_S = 0.02
"""A board looks at every step; this one only as often as something can have happened, and so often at the least. The
first is real time, the second the world's."""


class Aborted(Exception):
    """A reset came in the middle of a line; nobody waits for its answer any more."""


class News:
    """Something changed; look again. `abort` makes every `until` and `sleep` under way raise Aborted."""

    def __init__(self, pace: float) -> None:
        self._pace = pace
        self._event = asyncio.Event()
        self._epoch = 0
        self._still = False

    def notify(self) -> None:
        self._event.set()
        self._event = asyncio.Event()

    def hold_still(self) -> None:
        """No `sleep` under way ends any more, until `abort`."""
        self._still = True

    def abort(self) -> None:
        self._epoch += 1
        self._still = False
        self.notify()

    async def wait(self) -> None:
        await self._event.wait()

    async def wait_for(self, seconds: float) -> None:
        """Until something changed, or at the most so long."""
        timer = asyncio.get_running_loop().call_later(seconds, self.notify)
        try:
            await self.wait()
        finally:
            timer.cancel()

    async def until(self, ready: Callable[[], bool]) -> None:
        epoch = self._epoch
        while not ready():
            await self.wait()
            if epoch != self._epoch:
                raise Aborted

    async def sleep(self, seconds: float) -> None:
        """Sleep in the world's time; 0 is one tick."""
        epoch = self._epoch
        clock = asyncio.get_running_loop().time
        due = clock() + max(seconds / self._pace, TICK_S)
        while (left := due - clock()) > 0 or self._still:
            with suppress(TimeoutError):
                async with asyncio.timeout(left if left > 0 else None):
                    await self.wait()
            if epoch != self._epoch:  # perhaps in the very turn of the loop that ended the sleep
                raise Aborted
