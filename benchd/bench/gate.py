"""Where a run waits: open, or closed by a pause until somebody resumes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from benchd.errors import BenchdError


class Gate:
    """Checkpoints between steps and between the points of a sweep pass here.

    `held` is told why the gate was closed by the run itself, for something that a person can mend.
    """

    def __init__(self, held: Callable[[BenchdError], None] = lambda _: None) -> None:
        self._held = held
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

    def hold(self, error: BenchdError) -> None:
        """Close for something that a person can mend, who then resumes."""
        self.close()
        self._held(error)

    async def opened(self) -> None:
        """Return when open, for work beside the checkpoints: it does not count as a checkpoint that waits."""
        await self._open.wait()

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
