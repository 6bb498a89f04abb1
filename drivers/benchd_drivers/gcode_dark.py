"""Going dark is never refused: where it cannot be done at once it is a promise, kept as soon as it can be."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from benchd.devices import Clock, DeviceError

AGAIN_S = 1.0


class GoingDark:
    """Calls `darken` until it succeeds. `asked` counts how often dark was asked for, so that who lights up can tell
    whether it was meanwhile."""

    def __init__(self, name: str, darken: Callable[[], Awaitable[None]], clock: Clock) -> None:
        self._name = name
        self._darken = darken
        self._clock = clock
        self._task: asyncio.Task[None] | None = None
        self._promised = False  # who asked was told that it will be dark
        self.asked = 0

    async def ask(self, wait_s: float) -> bool:
        """Go dark; False where it has not been done in `wait_s` and is promised from now on.

        Raises what `darken` raised, unless that was promised before.
        """
        self.asked += 1
        if self._task is None or self._task.done():
            self._promised = False
            self._task = asyncio.create_task(self._until_dark(), name=f"dark {self._name}")
        task = self._task
        await asyncio.wait({task}, timeout=wait_s)
        if not task.done():
            self._promised = True
            return False
        if not task.cancelled():  # lit meanwhile, or closed
            task.result()
        return True

    async def _until_dark(self) -> None:
        while True:
            try:
                await self._darken()
                return
            except DeviceError:
                if not self._promised:
                    raise
            await self._clock.sleep(AGAIN_S)

    def lift(self) -> None:
        """The promise holds no longer: light was asked for after it, and is in force."""
        if self._task is not None:
            self._task.cancel()

    async def close(self) -> None:
        """Try no more; never raises."""
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.wait({task})
