"""A scalar in a register of a Modbus device: a readout, a transmitter, a temperature controller, a switch."""

from __future__ import annotations

import math

from benchd.devices import (
    Clock,
    DeviceError,
    Health,
    Identity,
    Implausible,
    Link,
    Meter,
    Reading,
)
from benchd_drivers.meter_range import ScaleConfig, judged
from benchd_drivers.modbus_registers import Told
from benchd_drivers.modbus_unit import Unit, UnitConfig


class ModbusMeterConfig(ScaleConfig, UnitConfig):
    """The device's number is the one in the register `value`."""

    unit: str
    value: Told


class ModbusMeter(Meter):
    """See `benchd.devices.Meter`."""

    Config = ModbusMeterConfig

    def __init__(self, name: str, config: ModbusMeterConfig, link: Link | None) -> None:
        self.name = name
        self.quantity, self.unit = config.quantity, config.unit
        self._config = config
        self._unit = Unit(name, config, link)
        self._clock = Clock()
        self._health = Health("ok")
        self.answers_within_s = self.opens_within_s = 2 * self._unit.answers_within_s

    @classmethod
    def create(cls, name: str, config: ModbusMeterConfig, link: Link | None) -> ModbusMeter:
        return cls(name, config, link)

    async def open(self) -> Identity:
        self._health = Health("ok")
        identity = await self._unit.identify()
        await self.read()
        return identity

    async def close(self) -> None:
        """Nothing to leave safe."""

    async def health(self) -> Health:
        if not self._unit.link.connected:
            return Health("fault", "link", f"{self.name}: link {self._unit.link.name} is not connected.")
        return self._health

    async def read(self) -> Reading:
        try:
            number, t_mono = await self._unit.read(self._config.value)
        except DeviceError as error:
            self._health = Health("fault", error.code, error.text)
            raise
        value = number * self._config.scale + self._config.offset
        if not math.isfinite(value):
            self._health = Health("fault", "implausible", f"{self.name} tells {number:g}, which is no number.")
            advice = "Check the sensor, and `type` and `words` of the register."
            raise Implausible(self._health.text, advice=advice, device=self.name, frames=self._unit.link.recent)
        quality, self._health = judged(self.name, value, self.unit, self._config.low, self._config.high)
        return Reading(value, self.unit, t_mono, self._clock.utc(), quality)
