"""Where a run waits: open, or closed by a pause until somebody resumes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from benchd.errors import BenchdError


def _nobody_resumes(error: BenchdError) -> None:
    raise error


class Gate:
    """Checkpoints between steps and between the points of a sweep pass here.

    `held` is told why the run itself cannot go on, for something that a person can mend, and has it closed, or raises
    where nobody could resume. `on_parked` is called as a checkpoint begins to wait.
    """

    def __init__(
        self,
        held: Callable[[BenchdError], None] = _nobody_resumes,
        on_parked: Callable[[], None] = lambda: None,
    ) -> None:
        self._held = held
        self._on_parked = on_parked
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
        """Have it closed for something that a person can mend, who then resumes. Raises `error` where nobody could."""
        self._held(error)

    async def opened(self) -> None:
        """Return when open, for work beside the checkpoints: it does not count as a checkpoint that waits."""
        await self._open.wait()

    def open(self) -> None:
        """Let them pass."""
        self._open.set()

    async def passable(self) -> None:
        """Return when open."""
        while not self._open.is_set():  # it may have been closed again by the time who waits has his turn
            self._parked.set()
            self._on_parked()
            try:
                await self._open.wait()
            finally:
                self._parked.clear()

    async def parked(self) -> None:
        """Return when a checkpoint waits, so that nothing of the run is under way."""
        await self._parked.wait()
