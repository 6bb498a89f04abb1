"""Lines that a device sends by itself: the one wanted is the first that was begun after somebody asked."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from benchd.devices import Link, LinkTimeout, now_s


class LineStream:
    """Listens from `begin` until `end`, or until the link is lost; keeps no more than the last line."""

    def __init__(self, name: str, link: Link) -> None:
        self._name, self._link = name, link
        self._count = 0
        self._last: tuple[bytes, float] = (b"", 0.0)
        self._came = asyncio.Event()
        self._listening: asyncio.Task[None] | None = None

    async def begin(self) -> None:
        """Idempotent."""
        await self.end()
        self._listening = asyncio.create_task(self._listen(self._link.listen()), name=f"lines of {self._name}")

    async def end(self) -> None:
        """Idempotent."""
        listening, self._listening = self._listening, None
        if listening is not None:
            listening.cancel()
            await asyncio.wait({listening})

    async def _listen(self, lines: AsyncIterator[bytes]) -> None:
        async for raw in lines:
            self._count, self._last = self._count + 1, (raw, now_s())
            self._came.set()

    async def from_number(self, number: int, timeout_s: float) -> tuple[bytes, float]:
        """The first line of at least this number, with its time. One that is two above `count` was surely
        begun, and measured, since. Raises LinkTimeout."""
        try:
            async with asyncio.timeout(timeout_s):
                while self._count < number:
                    self._came.clear()
                    await self._came.wait()
        except TimeoutError:
            raise LinkTimeout(
                f"{self._name} has sent no line within {timeout_s:g} s, though it should by itself.",
                advice="Check its cable, its baud rate, and that its output is switched on.",
                device=self._name,
                frames=self._link.recent,
            ) from None
        return self._last

    @property
    def count(self) -> int:
        """How many lines have come."""
        return self._count
