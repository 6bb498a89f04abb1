"""Homing on a Modbus drive: its own cycle, watched from outside and bounded in way and time."""

from __future__ import annotations

from collections.abc import Callable

from benchd.devices import Clock, HomeFailed
from benchd_drivers.homing_way import Way
from benchd_drivers.modbus_asker import ModbusRefused
from benchd_drivers.modbus_axis_config import ModbusAnyAxisConfig
from benchd_drivers.modbus_drive import Drive, Status
from benchd_drivers.modbus_motion import INSPECT, Motion
from benchd_drivers.modbus_stopping import Stopping

CLEARS_S = 1.0
PAUSES_S = 0.5
"""Between search, pull-off and second approach a drive may rest for a moment."""


class Homing:
    """One run of the cycle."""

    def __init__(
        self, name: str, config: ModbusAnyAxisConfig, drive: Drive, motion: Motion, stopping: Stopping, clock: Clock
    ) -> None:
        self._name, self._config, self._drive = name, config, drive
        self._motion, self._stopping, self._clock = motion, stopping, clock

    async def run(self) -> None:
        """Return at rest at the zero, the switch let go. Raises HomeFailed, LinkError, MotionFailed where a stop came.

        A fault is cleared where the bench file says how. A switch that sticks is not tried again.
        """
        stops = self._stopping.count

        def go() -> None:
            self._motion.go(stops)

        try:
            status = await self._ready(go)
            await self._drive.unit.do(self._config.home, go=go)
            self._let_go(await self._followed(stops, status))
        except ModbusRefused as refused:
            raise self.failed(refused.text[:1].lower() + refused.text[1:].rstrip("."), refused.advice) from refused

    async def _ready(self, go: Callable[[], None]) -> Status:
        status = await self._drive.status()
        if status.moving:
            await self._stopping.to_rest()  # left over from whatever set it off
            status = await self._drive.status()
        if status.fault and self._config.clear is not None:
            await self._drive.unit.do(self._config.clear, go=go)
            ends = self._clock.monotonic() + CLEARS_S
            while (status := await self._drive.status()).fault and self._clock.monotonic() < ends:
                await self._clock.sleep(self._config.poll_ms / 1000)
        if status.fault:
            advice = "See the drive's display for its cause, and clear it there"
            raise self.failed(
                "the drive reports a fault", f"{advice}{'' if self._config.clear else ', or state `clear`'}."
            )
        return status

    async def _followed(self, stops: int, before: Status) -> Status:
        """The status at its end. That it began shows in motion, or in a flag `homed` that goes: else one that stands
        from before would be taken for the end."""
        way = Way(self._config.top_speed, self._config.JUMP)
        way.goes(before.at, before.t_mono)
        sent = self._clock.monotonic()
        begun, idle_since = False, None
        while True:
            status = await self._motion.followed(stops)
            begun = begun or status.moving or not status.homed
            idle_since = None if status.moving else idle_since or status.t_mono
            if status.fault:
                raise self.failed("the drive reports a fault", INSPECT)
            if begun and idle_since is not None and status.homed:
                return status
            if idle_since is not None and status.t_mono - max(idle_since, sent) > self._config.starts_s + PAUSES_S:
                why = "came to rest and is not homed" if begun and not before.homed else "did not begin"
                raise self.failed(f"the drive {why}", INSPECT)
            if way.goes(status.at, status.t_mono) > self._config.home_search:
                raise self.failed("the home switch was not found within the search distance", INSPECT)
            if self._clock.monotonic() > sent + self._config.home_s:
                raise self.failed("the home switch was not found in the time it may take", INSPECT)
            await self._clock.sleep(self._config.poll_ms / 1000)

    def _let_go(self, status: Status) -> None:
        if status.limit:
            raise self.failed("a switch is still active after homing: it is stuck, or not the one found", INSPECT)

    def failed(self, why: str, advice: str) -> HomeFailed:
        """HomeFailed with the last frames."""
        text = f"{self._name}: homing failed: {why}."
        return HomeFailed(text, advice=advice, device=self._name, frames=self._drive.link.recent)
