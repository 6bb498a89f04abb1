"""The way back to nominal before a paused run goes on; whoever pauses, stops or ends the run breaks it off."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from benchd.bench.bench import Bench
from benchd.bench.gate import Gate
from benchd.bench.jobs import Stopped
from benchd.errors import BenchdError


class WayBack:
    """One at a time: another that is begun while the last comes to rest waits for it."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._task: asyncio.Task[None] | None = None
        self._driving = asyncio.Lock()  # held until the carriage is at rest, also when it is broken off

    def begin(self, gate: Gate, asking: Callable[[], bool], then: Callable[[], None]) -> None:
        """Once the run waits at its gate drive to nominal, then call `then`; while it is `asking` nothing is driven."""
        if self._task is None or self._task.done() or self._task.cancelling():
            self._task = asyncio.create_task(self._go(gate, asking, then), name="resume")

    def break_off(self) -> None:
        """The carriage comes to rest there and then, and the run stays paused."""
        if self._task is not None:
            self._task.cancel()

    async def end(self) -> None:
        """The same; returns once it has ended."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.wait([self._task])

    async def _go(self, gate: Gate, asking: Callable[[], bool], then: Callable[[], None]) -> None:
        try:
            if not asking():
                await gate.parked()
                setup = self._bench.setup
                if setup.chain.carriage_um is not None and not setup.document.stale:
                    async with self._driving:
                        await self._bench.nominal()
        except BenchdError as error:
            self._bench.events.error(error)
            return
        except Stopped:
            return
        then()
