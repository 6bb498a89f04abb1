"""The stop of a G-code controller: its byte at once, then one way to standstill for all who asked.

A controller has one queue for all its axes, and a stop is that of the controller: whichever axis it is asked of, all of
them stand, and nothing that was asked of any of them before happens later.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import TypeVar

from benchd.devices import DeviceError
from benchd_drivers.finishing import finish
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_halt import halt
from benchd_drivers.gcode_status import HOLD, JOG_CANCEL
from benchd_drivers.gcode_watch import Watch
from benchd_drivers.setting_off import Activity

T = TypeVar("T")


class Stopping:
    """One for all axes of a board: get it by `of`, then `join`."""

    def __init__(self, board: GcodeBoard) -> None:
        self._board = board
        self._axes: dict[str, tuple[Watch, float]] = {}
        self._task: asyncio.Task[None] | None = None

    @classmethod
    def of(cls, board: GcodeBoard) -> Stopping:
        """The board's."""
        return board.link.shared(cls, lambda link: cls(board))

    def join(self, watch: Watch, rest_s: float) -> None:
        """One more axis, which needs so long to come to rest from its top speed."""
        self._axes[watch.name] = (watch, rest_s)

    @property
    def count(self) -> int:
        """How many stops there were of any axis, for who was in motion to compare."""
        return self._board.stops

    @property
    def under_way(self) -> bool:
        """Whether a stop is on its way to standstill."""
        return self._task is not None

    async def ended(self) -> None:
        """Return once no stop is on its way, however it ended."""
        if self._task is not None:
            await asyncio.wait({self._task})

    async def stop(self) -> None:
        """See `Axis.stop`. Several callers share one way to standstill, but each writes its own stop byte at once."""
        self._board.stops += 1
        activity = self._activity
        if activity == "home":
            self._board.reset_now()  # a homing cycle hears nothing else
        else:
            self._board.link.urgent(JOG_CANCEL + HOLD if activity == "jog" else HOLD)
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._to_rest(activity), name=f"stop {self._board.link.name}")
            self._task.add_done_callback(self._done)
        await finish(_joined(self._task), f"await stop {self._board.link.name}")

    @property
    def _activity(self) -> Activity | None:
        """What the controller is at, for whichever axis."""
        under_way = [watch.activity for watch, _ in self._axes.values()]
        at: tuple[Activity, ...] = ("home", "jog", "move")
        return next((activity for activity in at if activity in under_way), None)

    def _done(self, task: asyncio.Task[None]) -> None:
        if self._task is task:
            self._task = None
        if not task.cancelled():
            task.exception()

    async def _to_rest(self, activity: Activity | None) -> None:
        rest_s = max(rest_s for _, rest_s in self._axes.values())
        try:
            while True:
                count = self.count
                async with self._board.gate:
                    if activity == "home":
                        await self._board.reset(written=True)
                    kept = await halt(self._board, jogging=activity == "jog", rest_s=rest_s)
                for watch, _ in self._axes.values():
                    if not kept and watch.trust.homed:
                        watch.trust.lose("it had to be reset to be stopped, and may have lost its place", "reset")
                    watch.rests()
                await self._board.restore()
                if count == self.count:  # else a later stop byte may have come after standstill, and hold it
                    return
        except DeviceError as error:
            self._unsure(error)
            raise

    async def at_any_rate(self) -> None:
        """A stop whose failure is kept as a loss of trust, where another error is on its way already."""
        try:
            await self.stop()
        except DeviceError as error:
            self._unsure(error)

    def _unsure(self, error: DeviceError) -> None:
        for watch, _ in self._axes.values():
            watch.trust.lose(f"it could not be stopped for sure ({error.text.rstrip('.')})", "link")

    async def or_stop(self, motion: Coroutine[None, None, T]) -> T:
        """Await motion. Whatever ends it early leaves only after the controller is at rest, as far as that can be
        had."""
        try:
            return await motion
        except asyncio.CancelledError:
            await finish(self.at_any_rate(), f"stop {self._board.link.name}")
            raise
        except DeviceError:
            await self.ended()
            raise


async def _joined(task: asyncio.Task[None]) -> None:
    await asyncio.shield(task)
