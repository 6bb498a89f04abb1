"""A light on a dimmer that listens to DMX: its level in one slot, or in a coarse and a fine one, or in several alike.

A level counts as set when a frame that carries it is through. Going dark waits for no fade and voids what is under way;
a level that was given up is taken out of the frame at once.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd.devices import DeviceError, Health, Identity, Light, LightSpec, Link, now_s
from benchd_drivers.dmx_frame import MOST_SLOTS
from benchd_drivers.dmx_link import DmxLink

Slot = Annotated[int, Field(ge=1, le=MOST_SLOTS)]
Value = Annotated[int, Field(ge=0, le=255)]
COARSE, FINE = 0xFF, 0xFFFF


class DmxLightConfig(BaseModel):
    """`slots` each take the level, the finer part of which goes into the one of `fine_slots` at the same place.

    `steady` are slots that have one value as long as the link is open: a colour, a shutter. A level above dark is faded
    to in `fade_ms`. `on_loss` is what the dimmer is set to do when frames stop; `safe_level` is set at open and close.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    slots: Annotated[list[Slot], Field(min_length=1)]
    fine_slots: list[Slot] = Field(default_factory=list)
    steady: dict[Slot, Value] = Field(default_factory=dict)
    fade_ms: float = Field(default=0.0, ge=0, le=10_000)
    on_loss: Literal["holds", "dark"] = "holds"
    safe_level: float = Field(default=0.0, ge=0, le=1)
    pwm_hz: float | None = Field(default=None, gt=0)
    laser_class: str | None = Field(default=None, pattern=r"^(1|1M|2|2M|3R|3B|4)$")

    @model_validator(mode="after")
    def _fit(self) -> Self:
        if self.fine_slots and len(self.fine_slots) != len(self.slots):
            raise ValueError("fine_slots: as many as slots, each for the one at the same place; or none")
        return self

    @property
    def full(self) -> int:
        """What stands for full light."""
        return FINE if self.fine_slots else COARSE

    def values(self, level: float) -> Mapping[int, int]:
        """What goes into the slots; a level above 0 is never rounded to dark."""
        number = max(1, round(level * self.full)) if level > 0 else 0
        coarse, fine = divmod(number, 256) if self.fine_slots else (number, 0)
        return {**dict.fromkeys(self.slots, coarse), **dict.fromkeys(self.fine_slots, fine)}


class DmxLight(Light):
    """See `benchd.devices.Light`."""

    Config = DmxLightConfig

    def __init__(self, name: str, config: DmxLightConfig, link: Link | None) -> None:
        self.name = name
        self._config = config
        self._link = DmxLink.of(link, name)
        self._link.claim(name, (*config.slots, *config.fine_slots, *config.steady))
        self.spec = LightSpec(
            least=1 / config.full,
            steps=config.full,
            pwm_hz=config.pwm_hz,
            laser_class=config.laser_class,
            has_failsafe=config.on_loss == "dark",
            safe_level=config.safe_level,
        )
        self._turn = asyncio.Lock()
        self._level = 0.0
        self._went_dark = 0  # how often
        self.opens_within_s = self._link.sent_within_s + 0.5
        self.answers_within_s = self.opens_within_s + 2 * config.fade_ms / 1000

    @classmethod
    def create(cls, name: str, config: DmxLightConfig, link: Link | None) -> DmxLight:
        return cls(name, config, link)

    async def open(self) -> Identity:
        """Nobody says who is there: the first frame is all that can be done."""
        await self._make_safe()
        return Identity()

    async def close(self) -> None:
        if self._link.connected:
            with contextlib.suppress(DeviceError):  # the line is lost, which its health tells
                await self._make_safe()

    async def _make_safe(self) -> None:
        self._went_dark += 1
        self._level = self._config.safe_level
        await self._link.send({**self._config.steady, **self._config.values(self._level)})

    async def health(self) -> Health:
        if not self._link.connected:
            then = "goes dark within seconds" if self.spec.has_failsafe else "stays as it was"
            text = f"{self.name}: link {self._link.name} is not connected; the dimmer {then}, as far as it is known."
            return Health("fault", "link", text)
        return Health("ok")

    async def level(self) -> float:
        """What is in the frame that has just been sent. Nobody tells whether a lamp shines."""
        await self._link.send({})
        return self._level

    async def set_level(self, level: float) -> None:
        if not (math.isfinite(level) and 0 <= level <= 1):
            raise ValueError(f"a light's level is 0 to 1, not {level}")
        if level == 0.0:
            self._went_dark += 1
            self._level = 0.0
            await self._link.send(self._config.values(0.0))
            return
        dark = self._went_dark
        async with self._turn:
            self._demand_not_dark(dark)
            await self._fade(level, dark)

    async def _fade(self, level: float, dark: int) -> None:
        """Raises DeviceError."""
        before, began_s, fade_s = self._level, now_s(), self._config.fade_ms / 1000
        try:
            left = 1.0
            while left > 0.0:
                passed_s = now_s() - began_s + self._link.refreshed_s  # as the next frame comes
                left = max(0.0, 1.0 - passed_s / fade_s) if fade_s else 0.0
                self._level = level + left * (before - level)
                await self._link.send(self._config.values(self._level))
                self._demand_not_dark(dark)
        except BaseException:
            if self._went_dark == dark:
                self._level = before if before <= level else 0.0
                self._link.hold(self._config.values(self._level))
            raise

    def _demand_not_dark(self, dark: int) -> None:
        if self._went_dark != dark:
            raise DeviceError(f"{self.name}: it was to go dark meanwhile.", device=self.name, code="busy")
