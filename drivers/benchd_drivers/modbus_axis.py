"""An axis on a Modbus drive: absolute moves, bounded jogs, homing, and a stop that comes first."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator
from typing import ClassVar, Self

from benchd.devices import (
    Axis,
    Clock,
    DeviceError,
    Health,
    HomeFailed,
    Identity,
    Link,
    MotionFailed,
    Reading,
    Surprise,
)
from benchd_drivers.modbus_axis_config import ModbusAnyAxisConfig, ModbusAxisConfig, ModbusRotaryConfig
from benchd_drivers.modbus_drive import Drive
from benchd_drivers.modbus_homing import Homing
from benchd_drivers.modbus_motion import Motion
from benchd_drivers.modbus_stopping import SILENT_S, Stopping
from benchd_drivers.modbus_watch import Watch
from benchd_drivers.setting_off import SettingOff

HOME_EXTRA_S = 10.0


class ModbusAxis(Axis):
    """See `benchd.devices.Axis` for the contracts."""

    Config: ClassVar[type[ModbusAnyAxisConfig]] = ModbusAxisConfig

    def __init__(self, name: str, config: ModbusAnyAxisConfig, link: Link | None) -> None:
        self.name = name
        self.spec = config.spec()
        self._config = config
        self._clock = Clock()
        self._watch = Watch(name, config, config.starts_s, self._clock)
        self._trust = self._watch.trust
        self._drive = Drive(name, config, link, self._watch.on_status)
        self._stopping = Stopping(name, config, self._drive, self._watch, self._clock)
        self._motion = Motion(name, config, self._drive, self._watch, self._stopping, self._clock)
        self._setting_off = SettingOff(config, self._watch, self._stopping, self._motion.failed)
        self._listening: asyncio.Task[None] | None = None
        self.answers_within_s = 2 * self._drive.unit.answers_within_s
        self.rests_within_s = config.rest_s + SILENT_S + 2 * self._drive.unit.answers_within_s
        self.homes_within_s = config.home_s + self.rests_within_s + HOME_EXTRA_S

    @classmethod
    def create(cls, name: str, config: ModbusAnyAxisConfig, link: Link | None) -> Self:
        return cls(name, config, link)

    # ---- coming and going

    async def open(self) -> Identity:
        self._trust.renounce("not homed since it was connected")
        await self._end_listening()
        identity = await self._drive.unit.identify()
        self._watch.rests()
        if (await self._drive.status()).moving:
            await self.stop()  # left over from another life of the daemon
        self._listening = asyncio.create_task(self._listen(), name=f"link of {self.name}")
        return identity

    async def _listen(self) -> None:
        """Until the link is lost or closed: a drive says nothing unasked."""
        async for _ in self._drive.link.listen():
            continue
        self._watch.on_lost(self._drive.link.why_lost or f"Link {self._drive.link.name} is closed.")

    async def _end_listening(self) -> None:
        listening, self._listening = self._listening, None
        if listening is not None:
            listening.cancel()
            await asyncio.wait({listening})

    async def close(self) -> None:
        try:
            if self._drive.link.connected and (self._watch.activity or (await self._drive.status()).moving):
                await self.stop()
        except DeviceError as error:
            self._trust.lose(f"it could not be asked at close ({error.text.rstrip('.')})", "link")
        finally:
            await self._stopping.ended()
            await self._end_listening()
            self._watch.rests()
            self._trust.renounce("closed")
            self._trust.end()

    async def health(self) -> Health:
        if not self._drive.link.connected:
            return Health("fault", "link", f"{self.name}: link {self._drive.link.name} is not connected.")
        health = self._trust.health()
        if health.state != "fault" and self._watch.last is not None and self._watch.last.fault:
            return Health("fault", "disabled", f"{self.name}: the drive reports a fault.")
        return health

    @property
    def homed(self) -> bool:
        return self._trust.homed and self._drive.link.connected

    def surprises(self) -> AsyncIterator[Surprise]:
        return self._trust.surprises()

    # ---- motion

    async def read(self) -> Reading:
        status = await self._drive.status()
        return Reading(status.at, self.spec.unit, status.t_mono, self._clock.utc(), "good" if self.homed else "suspect")

    async def move_to(self, target: float, speed: float) -> float:
        self._setting_off.check_move(target, speed)
        await self._jog_over()
        with self._setting_off.busy("move"):
            return await self._stopping.or_stop(self._motion.move(target, min(speed, self.spec.top_speed)))

    async def jog(self, speed: float, distance: float) -> None:
        self._setting_off.check_jog(speed, distance)
        self._setting_off.free_to_jog()
        await self._stopping.or_stop(
            self._motion.jog(math.copysign(min(speed, self.spec.top_speed), distance), distance)
        )

    async def stop(self) -> None:
        await self._stopping.stop()

    async def home(self) -> None:
        await self._jog_over()
        with self._setting_off.busy("home"):
            self._trust.renounce("homing is not finished")
            try:
                await self._stopping.or_stop(self._home())
            except HomeFailed as error:
                self._trust.renounce(error.text[:1].lower() + error.text[1:].rstrip("."))
                raise

    async def _home(self) -> None:
        stops = self._stopping.count
        cycle = Homing(self.name, self._config, self._drive, self._motion, self._stopping, self._clock)
        try:
            await cycle.run()
        except DeviceError as error:
            if self._stopping.count == stops:
                await self._stopping.at_any_rate()  # a cycle that cannot be followed is not left to go on
            if isinstance(error, MotionFailed):
                raise cycle.failed(error.text.removeprefix(f"{self.name}: ").rstrip("."), error.advice) from error
            raise
        self._trust.gain()

    # ---- small helps

    async def _jog_over(self) -> None:
        """A jog that has come to its end is under way no more; a look at the drive shows it."""
        if self._watch.activity == "jog" and not self._stopping.under_way:
            await self._drive.status()


class ModbusRotary(ModbusAxis):
    """What is turned by such a drive: a ring of the lens, a table. In degrees."""

    Config = ModbusRotaryConfig
