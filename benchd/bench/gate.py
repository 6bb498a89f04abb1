"""Where a run waits: open, or closed by a pause until somebody resumes."""

from __future__ import annotations

import asyncio


class Gate:
    """Checkpoints between steps and between the points of a sweep pass here."""

    def __init__(self) -> None:
        self._open = asyncio.Event()
        self._open.set()

    @property
    def closed(self) -> bool:
        """Whether checkpoints wait."""
        return not self._open.is_set()

    def close(self) -> None:
        """Make checkpoints wait."""
        self._open.clear()

    def open(self) -> None:
        """Let them pass."""
        self._open.set()

    async def passable(self) -> None:
        """Return when open."""
        await self._open.wait()
