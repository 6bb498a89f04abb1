"""The stop of one axis on a Modbus drive: its command before all else, then one way to standstill for all who asked.

A stop is one more question on a line that carries one at a time: it waits for the answer under way, at most the link's
`timeout_s`. Its effect is watched, and it is written again where it was lost or the drive goes on.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import TypeVar

from benchd.devices import Clock, DeviceError, LinkGarbled, LinkTimeout, MotionFailed
from benchd_drivers.finishing import finish
from benchd_drivers.modbus_asker import ModbusRefused
from benchd_drivers.modbus_axis_config import ModbusAnyAxisConfig
from benchd_drivers.modbus_drive import Drive, Status
from benchd_drivers.modbus_watch import Watch

T = TypeVar("T")

AGAIN_S = 0.1
"""The stop is written again this often while the drive goes on as if it had not heard it."""
SILENT_S = 1.0
"""A drive that tells nothing for so long cannot be said to stand."""
LOOKS = 2
"""At rest in so many statuses, and at one place."""
LOOK_S = 0.01
CUT = "Cut the motor's power at the bench."


class Stopping:
    """`count` is how many stops there were, for who was in motion to compare."""

    def __init__(self, name: str, config: ModbusAnyAxisConfig, drive: Drive, watch: Watch, clock: Clock) -> None:
        self._name, self._config, self._drive, self._watch, self._clock = name, config, drive, watch, clock
        self.count = 0
        self._task: asyncio.Task[None] | None = None
        self._written_at = 0.0
        self._refusal = ""

    @property
    def under_way(self) -> bool:
        """Whether a stop is on its way to standstill."""
        return self._task is not None

    async def ended(self) -> None:
        """Return once no stop is on its way, however it ended."""
        if self._task is not None:
            await asyncio.wait({self._task})

    async def stop(self) -> None:
        """See `Axis.stop`. Several callers share one way to standstill."""
        self.count += 1
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._until_none_asks(), name=f"stop {self._name}")
            self._task.add_done_callback(self._done)
        await finish(_joined(self._task), f"await stop {self._name}")

    def _done(self, task: asyncio.Task[None]) -> None:
        if self._task is task:
            self._task = None
        if not task.cancelled():
            task.exception()

    async def _until_none_asks(self) -> None:
        try:
            while True:
                count = self.count
                await self.to_rest()
                self._watch.rests()
                if count == self.count:  # else what was sent before the later stop may have come after this one
                    return
        except DeviceError as error:
            self._unsure(error)
            raise

    async def to_rest(self) -> None:
        """Write the stop and see that it stands. Raises LinkError (it cannot be asked: nobody knows), MotionFailed (it
        does not obey)."""
        began = heard = self._clock.monotonic()
        before: Status | None = None
        looks, self._refusal = 0, ""
        await self._write()
        while True:
            try:
                status = await self._drive.status(patient=False)
            except (LinkTimeout, LinkGarbled):
                if not self._drive.link.connected or self._clock.monotonic() - heard > SILENT_S:
                    raise
                before, looks = None, 0
                await self._write()
                continue
            heard = self._clock.monotonic()
            same = before is None or abs(status.at - before.at) <= self._config.per_count
            looks = looks + 1 if not status.moving and same else 0
            before = status
            if looks >= LOOKS:
                return
            if status.moving and heard - began > self._config.rest_s + 4 * AGAIN_S:
                raise MotionFailed(
                    f"{self._name}: the drive does not obey a stop, and still moves.{self._refusal}",
                    advice=CUT,
                    device=self._name,
                    frames=self._drive.link.recent,
                )
            if status.moving and heard - self._written_at > AGAIN_S:
                await self._write()
            await self._clock.sleep(LOOK_S)

    async def _write(self) -> None:
        """The command; whether it was heard shows in what the drive does. Raises LinkError where the link is gone."""
        self._written_at = self._clock.monotonic()
        try:
            await self._drive.stop()
        except (LinkTimeout, LinkGarbled):
            if not self._drive.link.connected:
                raise
        except ModbusRefused as refused:
            self._refusal = f" It says: {refused.text}"

    async def at_any_rate(self) -> None:
        """A stop whose failure is kept as a loss of trust, where another error is on its way already."""
        try:
            await self.stop()
        except DeviceError as error:
            self._unsure(error)

    def _unsure(self, error: DeviceError) -> None:
        self._watch.trust.lose(f"it could not be stopped for sure ({error.text.rstrip('.')})", "link")

    async def or_stop(self, motion: Coroutine[None, None, T]) -> T:
        """Await motion. Whatever ends it early leaves only after the axis is at rest, as far as that can be had."""
        try:
            return await motion
        except asyncio.CancelledError:
            await finish(self.at_any_rate(), f"stop {self._name}")
            raise
        except DeviceError:
            await self.ended()
            raise


async def _joined(task: asyncio.Task[None]) -> None:
    await asyncio.shield(task)
