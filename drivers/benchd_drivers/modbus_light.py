"""A dimmer that takes its level in a register of a Modbus device.

Going dark overtakes what waits to be lit, and voids it. A level that was given up, or whose answer was missed, is taken
back: what was there before, or dark where that was brighter.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from typing import Self

from pydantic import Field, model_validator

from benchd.devices import DeviceError, Health, Identity, Light, LightSpec, Link, LinkGarbled, LinkTimeout
from benchd_drivers.finishing import finish
from benchd_drivers.modbus_registers import Setting, Told
from benchd_drivers.modbus_unit import TRIES, Unit, UnitConfig

TAKE_BACK_S = 1.5
"""So long a call that is not wanted any more may take; the bench allows two seconds."""


class ModbusLightConfig(UnitConfig):
    """`full` is what is written for full light, 0 being dark. `told` is where the device tells the level in force, the
    register that is written unless stated; `safe_level` is set at open and at close."""

    level: Setting
    full: int = Field(ge=1)
    told: Told | None = None
    safe_level: float = Field(default=0.0, ge=0, le=1)
    pwm_hz: float | None = Field(default=None, gt=0)
    laser_class: str | None = Field(default=None, pattern=r"^(1|1M|2|2M|3R|3B|4)$")

    @model_validator(mode="after")
    def _goes_in(self) -> Self:
        if self.level.type == "float32":
            raise ValueError("level: a whole number; the steps of a float32 are not known")
        if self.full > self.level.range[1]:
            raise ValueError(f"full: {self.full} does not go into {self.level.type}")
        return self

    def read_back(self) -> Told:
        """Where the level in force stands."""
        level = self.level
        return self.told or Told(address=level.address, type=level.type, words=level.words)


class ModbusLight(Light):
    """See `benchd.devices.Light`. Setting a level is harmless to repeat, so that a missed answer is asked for again."""

    Config = ModbusLightConfig

    def __init__(self, name: str, config: ModbusLightConfig, link: Link | None) -> None:
        self.name = name
        self.spec = LightSpec(
            least=1 / config.full,
            steps=config.full,
            pwm_hz=config.pwm_hz,
            laser_class=config.laser_class,
            has_failsafe=False,
        )
        self._config = config
        self._unit = Unit(name, config, link)
        self._told = config.read_back()
        self._wanted = 0.0
        self._went_dark = 0  # how often
        self._health = Health("ok")
        self.answers_within_s = self._unit.answers_within_s + TAKE_BACK_S
        self.opens_within_s = 2 * self.answers_within_s

    @classmethod
    def create(cls, name: str, config: ModbusLightConfig, link: Link | None) -> ModbusLight:
        return cls(name, config, link)

    async def open(self) -> Identity:
        identity = await self._unit.identify()
        self._wanted = 0.0
        await self.set_level(self._config.safe_level)
        return identity

    async def close(self) -> None:
        if self._unit.link.connected:
            try:
                await self.set_level(self._config.safe_level)
            except DeviceError as error:
                self._health = Health("fault", error.code, error.text)

    async def health(self) -> Health:
        if not self._unit.link.connected:
            return Health("fault", "link", f"{self.name}: link {self._unit.link.name} is not connected.")
        return self._health

    async def set_level(self, level: float) -> None:
        if not (math.isfinite(level) and 0 <= level <= 1):
            raise ValueError(f"a light's level is 0 to 1, not {level}")
        if level == 0.0:
            self._went_dark += 1
        dark, sent = self._went_dark, False

        def go() -> None:
            nonlocal sent
            if level and self._went_dark != dark:
                raise DeviceError(f"{self.name}: it was to go dark meanwhile.", device=self.name, code="busy")
            sent = True

        try:
            await self._put(level, first=level == 0.0, go=go)
        except (DeviceError, asyncio.CancelledError) as error:
            if sent:
                await finish(self._take_back(level, error), f"take back {self.name}")
            raise
        self._wanted, self._health = level, Health("ok")

    async def level(self) -> float:
        number, _ = await self._unit.read(self._told)
        return min(max(number / self._config.full, 0.0), 1.0)

    # ---- what is written

    async def _put(self, level: float, *, first: bool, go: Callable[[], None] = lambda: None) -> None:
        """Raises DeviceError."""
        left = TRIES
        while True:
            left -= 1
            try:
                number = round(level * self._config.full)
                await self._unit.set(self._config.level, number, first=first, go=go)
                return
            except (LinkTimeout, LinkGarbled):
                if not left or not self._unit.link.connected:
                    raise

    async def _take_back(self, asked: float, why: BaseException) -> None:
        """Nothing of a level that was given up shows later."""
        level = self._wanted if self._wanted <= asked else 0.0
        try:
            async with asyncio.timeout(TAKE_BACK_S):
                await self._put(level, first=True)
            self._wanted = level
            if isinstance(why, DeviceError):
                text = f"{self.name} is at {level:.3g}: another level was asked for, and not set."
                self._health = Health("degraded", why.code, text)
        except (DeviceError, TimeoutError) as error:
            said = getattr(error, "text", "it does not answer").rstrip(".")
            self._health = Health("fault", "unknown", f"{self.name}: what level it has is not known: {said}.")
