"""Where a run waits: open, or closed by a pause until somebody resumes."""

from __future__ import annotations

import asyncio


class Gate:
    """Checkpoints between steps and between the points of a sweep pass here."""

    def __init__(self) -> None:
        self._open = asyncio.Event()
        self._open.set()
        self._parked = asyncio.Event()

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
        if self._open.is_set():
            return
        self._parked.set()
        try:
            await self._open.wait()
        finally:
            self._parked.clear()

    async def parked(self) -> None:
        """Return when a checkpoint waits, so that nothing of the run is under way."""
        await self._parked.wait()
