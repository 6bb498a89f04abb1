"""The gate that a run waits at: open, or closed by a pause until a user resumes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from benchd.bench.time_table import spent
from benchd.errors import BenchdError


def _cannot_be_resumed(error: BenchdError) -> None:
    raise error


class Gate:
    """Checkpoints between steps and between the points of a sweep pass here.

    `held` is called with an error that a person can fix before the run continues; it closes the gate, or raises if no
    user could resume. `on_parked` is called when a checkpoint begins to wait.
    """

    def __init__(
        self,
        held: Callable[[BenchdError], None] = _cannot_be_resumed,
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
        """Close the gate for an error that a person can fix and then resume. Raises `error` if no user could resume."""
        self._held(error)

    async def opened(self) -> None:
        """Return when open, without counting as a waiting checkpoint; for work beside the checkpoints."""
        await self._open.wait()

    def open(self) -> None:
        """Let checkpoints pass."""
        self._open.set()

    async def passable(self) -> None:
        """A checkpoint: return when open."""
        while not self._open.is_set():  # it may be closed again before the waiting task runs
            self._parked.set()
            self._on_parked()
            try:
                with spent("paused"):
                    await self._open.wait()
            finally:
                self._parked.clear()

    async def parked(self) -> None:
        """Return when a checkpoint waits, so that no step of the run is under way."""
        await self._parked.wait()
