"""A dimmer that is set by a line of text and tells its level by another."""

from __future__ import annotations

import asyncio
import math
import re
from contextlib import suppress
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd.devices import (
    DeviceError,
    DeviceMismatch,
    Health,
    Identity,
    Light,
    LightSpec,
    Link,
    LinkTimeout,
    Matcher,
    line,
    nothing,
)
from benchd_drivers.byte_link import byte_link
from benchd_drivers.finishing import finish
from benchd_drivers.line_text import Checksum, Pattern, line_like, unchecked

TRIES = 3
TAKE_BACK_S = 1.5
_BY_HAND = "Switch it off by hand."
_TEMPLATE = re.compile(r"[^{}]*\{(?::\.[0-9]f)?\}[^{}]*")


class LineLightConfig(BaseModel):
    """`set` is the line that sets a level, with `{:.2f}` (so many decimals) in the place of its number; `full` is the
    number of full light. `ask` and `pattern` (one group, the number) tell the level that it has.

    `set_pattern` is what it answers to `set`, left out for one that answers nothing to that. `steps` is how many levels
    it tells apart.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    set: str = Field(min_length=1, max_length=200)
    set_pattern: Pattern | None = None
    full: float = Field(default=1.0, gt=0, allow_inf_nan=False)
    ask: str = Field(min_length=1, max_length=200)
    pattern: Pattern
    checksum: Checksum | None = None
    terminator: str = Field(default="\n", min_length=1, max_length=4)
    timeout_s: float = Field(default=0.3, gt=0, le=30)
    steps: int = Field(default=100, ge=1, le=1_000_000)
    safe_level: float = Field(default=0.0, ge=0, le=1)
    pwm_hz: float | None = Field(default=None, gt=0)
    laser_class: Literal["1", "1M", "2", "2M", "3R", "3B", "4"] | None = None
    identity_ask: str | None = None
    identity_pattern: Pattern | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if _TEMPLATE.fullmatch(self.set) is None:
            raise ValueError("set needs one {} or {:.2f} (so many decimals), the place of the number")
        if re.compile(self.pattern).groups != 1:
            raise ValueError("pattern needs exactly one group (...), the number")
        if (self.identity_ask is None) != (self.identity_pattern is None):
            raise ValueError("identity_ask and identity_pattern belong together")
        return self


class LineLight(Light):
    """Each level is read back. What failed, or was given up on its way, is dark."""

    Config = LineLightConfig

    def __init__(self, name: str, config: LineLightConfig, link: Link) -> None:
        self.name = name
        self._config, self._link = config, link
        self._turn = asyncio.Lock()
        self._trouble = Health("ok")
        self.spec = LightSpec(
            least=1.0 / config.steps,
            steps=config.steps,
            pwm_hz=config.pwm_hz,
            laser_class=config.laser_class,
            safe_level=config.safe_level,
        )
        self.answers_within_s = self.opens_within_s = 4.0 * TRIES * config.timeout_s + TAKE_BACK_S + 5.0

    @classmethod
    def create(cls, name: str, config: LineLightConfig, link: Link | None) -> LineLight:
        return cls(name, config, byte_link(link, name))

    async def open(self) -> Identity:
        config, said = self._config, ""
        if config.identity_ask is not None and config.identity_pattern is not None:
            end = config.terminator.encode()
            raw = await self._link.query(config.identity_ask.encode() + end, line(end), config.timeout_s)
            said = unchecked(raw, config.checksum) or ""
            if not re.search(config.identity_pattern, said):
                raise DeviceMismatch(
                    f"{self.name}: on link {self._link.name} '{said}' answers, not '{config.identity_pattern}'.",
                    advice="Check which cable is in which port.",
                    device=self.name,
                )
        self._trouble = Health("ok")
        await self.set_level(config.safe_level)
        return Identity(model=said)

    async def close(self) -> None:
        if self._link.connected:
            try:
                async with asyncio.timeout(TAKE_BACK_S), self._turn:
                    await self._to(self._config.safe_level)
            except (DeviceError, TimeoutError) as error:
                self._not_known(error)

    async def health(self) -> Health:
        if not self._link.connected:
            text = f"{self.name}: link {self._link.name} is not connected; the light stays as it was."
            return Health("fault", "link", text)
        return self._trouble

    async def set_level(self, level: float) -> None:
        if not (math.isfinite(level) and 0 <= level <= 1):
            raise ValueError(f"a light's level is 0 to 1, not {level}")
        async with self._turn:
            try:
                await self._to(level)
            except BaseException as error:
                await finish(self._take_back(error), f"darken {self.name}")
                raise
        self._trouble = Health("ok")

    async def level(self) -> float:
        async with self._turn:
            return min(1.0, max(0.0, await self._told()))

    async def _to(self, level: float) -> None:
        """Set it, and see that it is so. Raises DeviceError."""
        config, told = self._config, math.nan
        text = config.set.format(config.full * level) + config.terminator
        answer: Matcher = nothing
        if config.set_pattern is not None:
            answer = line_like(config.set_pattern, config.terminator.encode(), config.checksum)
        for _ in range(TRIES):
            with suppress(LinkTimeout):  # whether it was heard shows as its level is read back
                await self._link.query(text.encode(), answer, config.timeout_s)
            told = await self._told()
            if abs(told - level) <= 0.501 / config.steps:
                return
        raise DeviceError(
            f"{self.name} was told '{text.strip()}' and has {told * config.full:g}.",
            advice="State `steps`, `full`, and `set_pattern` where it answers to `set`; or check its cable.",
            device=self.name,
            frames=self._link.recent,
        )

    async def _told(self) -> float:
        """The level that it has, 0 to 1 where it is within its range. Asked again if the answer is missing."""
        config = self._config
        end = config.terminator.encode()
        fits = line_like(config.pattern, end, config.checksum)
        for left in reversed(range(TRIES)):
            try:
                raw = await self._link.query(config.ask.encode() + end, fits, config.timeout_s)
                found = re.search(config.pattern, unchecked(raw.removesuffix(end), config.checksum) or "")
                return float(found[1]) / config.full if found else math.nan
            except LinkTimeout:
                if not left:
                    raise
            except ValueError:
                return math.nan
        raise AssertionError

    async def _take_back(self, why: BaseException) -> None:
        """Of what failed or was given up nothing may show later."""
        try:
            async with asyncio.timeout(TAKE_BACK_S):
                await self._to(0.0)
        except (DeviceError, TimeoutError) as error:
            self._not_known(error)
            return
        reason = why.text.rstrip(".") if isinstance(why, DeviceError) else "another level was asked for, and given up"
        self._trouble = Health("degraded", "dark", f"{self.name} is dark: {reason}. Set it anew.")

    def _not_known(self, error: BaseException) -> None:
        why = getattr(error, "text", "it does not answer in time").rstrip(".")
        self._trouble = Health("fault", "unknown", f"{self.name}: whether it is dark is not known: {why}. {_BY_HAND}")
