"""The return motion before a paused run continues: to nominal, then to where the run last moved to.

A pause, a stop or the end of the run cancels it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from benchd.bench.bench import Bench
from benchd.bench.gate import Gate
from benchd.bench.jobs import Stopped
from benchd.bench.run_record import RunRecord
from benchd.errors import BenchdError


@dataclass(frozen=True, slots=True)
class Return:
    """The run to return, and its callbacks: `then` on arrival, `failed` otherwise; neither after a cancellation.

    While the run is `asking` nothing is driven.
    """

    run: RunRecord
    gate: Gate
    asking: Callable[[], bool]
    then: Callable[[], None]
    failed: Callable[[], None]


class ReturnMotion:
    """One return motion at a time: one begun while the last comes to rest waits for that."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._task: asyncio.Task[None] | None = None
        self._driving = asyncio.Lock()  # held until the carriage is at rest, also after a cancellation

    def begin(self, back: Return) -> None:
        """Drive back once the run waits at its gate."""
        if self._task is None or self._task.done() or self._task.cancelling():
            self._task = asyncio.create_task(self._go(back), name="resume")

    def cancel(self) -> None:
        """The carriage comes to rest where it is, and the run stays paused."""
        if self._task is not None and not self._task.cancelling():  # a second one would break off its coming to rest
            self._task.cancel()

    async def cancel_and_wait(self) -> None:
        """The same; returns once the carriage is at rest."""
        self.cancel()
        if self._task is not None:
            await asyncio.wait([self._task])
        async with self._driving:  # one before it may still be coming to rest
            pass

    async def _go(self, back: Return) -> None:
        called = back.failed
        try:
            if not back.asking():
                await back.gate.parked()
                if not self._bench.setup.document.stale:
                    async with self._driving:
                        await self._drive(back.run)
            called = back.then
        except BenchdError as error:
            self._bench.events.error(error)
        except Stopped:
            pass  # reported by the stop itself
        finally:
            task = asyncio.current_task()
            if task is self._task and not (task is None or task.cancelling()):
                called()

    async def _drive(self, run: RunRecord) -> None:
        if self._bench.setup.chain.carriage_um is not None:
            await self._bench.nominal()
        if run.moved_to_um is not None:
            await self._bench.move_carriage(run.moved_to_um)
