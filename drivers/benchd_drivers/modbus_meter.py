"""A scalar in a register of a Modbus device: a readout, a transmitter, a temperature controller, a switch."""

from __future__ import annotations

import math
from typing import Literal, Self

from pydantic import Field, model_validator

from benchd.devices import (
    Clock,
    DeviceError,
    Health,
    Identity,
    Implausible,
    Link,
    Meter,
    Reading,
    printed_unit,
)
from benchd_drivers.modbus_registers import Told
from benchd_drivers.modbus_unit import Unit, UnitConfig


class ModbusMeterConfig(UnitConfig):
    """The value is `scale` times the number in the register plus `offset`, in `unit`; outside `low` to `high` the
    device cannot tell it, and the reading is bad (a broken sensor often tells its greatest number)."""

    quantity: str = Field(pattern=r"^[a-z][a-z_]*$")
    unit: str
    value: Told
    scale: float = Field(default=1.0, allow_inf_nan=False)
    offset: float = Field(default=0.0, allow_inf_nan=False)
    low: float | None = Field(default=None, allow_inf_nan=False)
    high: float | None = Field(default=None, allow_inf_nan=False)

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.scale == 0:
            raise ValueError("scale must not be 0")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError("low must be below high")
        return self


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
        return Reading(value, self.unit, t_mono, self._clock.utc(), self._quality(value))

    def _quality(self, value: float) -> Literal["good", "bad"]:
        low, high = self._config.low, self._config.high
        if (low is None or value >= low) and (high is None or value <= high):
            self._health = Health("ok")
            return "good"
        text = f"{self.name} tells {value:g} {printed_unit(self.unit)}, outside its range."
        self._health = Health("degraded", "out_of_range", text)
        return "bad"
