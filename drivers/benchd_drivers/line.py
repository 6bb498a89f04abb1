"""A device that is one text line out and one line back: a scale, an indicator, or any scalar, by pattern."""

from __future__ import annotations

import math
import re
import time
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from benchd.devices import (
    Clock,
    Device,
    DeviceMismatch,
    Encoder,
    EncoderSpec,
    Gauge,
    GaugeSpec,
    Health,
    Identity,
    Implausible,
    Link,
    LinkGarbled,
    LinkTimeout,
    Meter,
    Reading,
    line,
)

TRIES = 3

_KIND_OF = {"position": "scale", "length": "contact gauge", "gauge": "contact gauge"}
"""What a quantity makes of the device; anything else is a meter."""

_BELONGS = {
    "um_per_unit": ("scale", "contact gauge"),
    "resolution_um": ("scale", "contact gauge"),
    **dict.fromkeys(("subdivision_um", "u_scale", "alpha_per_K", "reference_ask", "reference_pattern"), ("scale",)),
    **dict.fromkeys(("range_um", "hysteresis_um", "u_gain", "grows"), ("contact gauge",)),
    **dict.fromkeys(("unit", "scale", "offset"), ("meter",)),
    **dict.fromkeys(("low", "high"), ("scale", "meter")),
}
"""Keys that only some kinds go by."""


class LineConfig(BaseModel):
    """`ask` is written with `terminator`; `pattern` has one group, the number. `quantity` says what the device is.

    `position` makes it an encoder, `length` or `gauge` a contact gauge, both scaled by `um_per_unit`; anything else
    a meter in `unit`, whose value is `scale` times the number plus `offset`.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    ask: str = Field(min_length=1, max_length=200)
    terminator: str = Field(default="\n", min_length=1, max_length=4)
    pattern: str
    timeout_s: float = Field(default=0.3, gt=0, le=30)
    quantity: str = Field(pattern=r"^[a-z][a-z_]*$")
    um_per_unit: float = Field(default=1.0, allow_inf_nan=False)
    unit: str = ""
    scale: float = Field(default=1.0, allow_inf_nan=False)
    offset: float = Field(default=0.0, allow_inf_nan=False)
    low: float | None = None
    high: float | None = None

    resolution_um: float = Field(default=1.0, gt=0)
    subdivision_um: float | None = Field(default=None, ge=0)
    u_scale: float | None = Field(default=None, ge=0)
    alpha_per_K: float | None = None
    reference_ask: str | None = None
    reference_pattern: str | None = None

    range_um: tuple[float, float] | None = None
    hysteresis_um: float | None = Field(default=None, ge=0)
    u_gain: float | None = Field(default=None, ge=0)
    grows: Literal["deeper", "shallower"] | None = None

    identity_ask: str | None = None
    identity_pattern: str | None = None

    @field_validator("pattern", "reference_pattern", "identity_pattern")
    @classmethod
    def _compiles(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                re.compile(value)
            except re.error as error:
                raise ValueError(f"not a regular expression: {error}") from None
        return value

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if re.compile(self.pattern).groups != 1:
            raise ValueError("pattern needs exactly one group (...), the number")
        if self.um_per_unit == 0:
            raise ValueError("um_per_unit must not be 0")
        if (self.reference_ask is None) != (self.reference_pattern is None):
            raise ValueError("reference_ask and reference_pattern belong together")
        if (self.identity_ask is None) != (self.identity_pattern is None):
            raise ValueError("identity_ask and identity_pattern belong together")
        if self.quantity in ("length", "gauge") and self.range_um is None:
            raise ValueError(f"quantity {self.quantity} (a contact gauge) needs range_um")
        if self.quantity in ("length", "gauge") and self.um_per_unit < 0:
            raise ValueError(
                "um_per_unit of a contact gauge is above 0; one that counts the other way `grows: shallower`"
            )
        if self.range_um is not None and not self.range_um[0] < self.range_um[1]:
            raise ValueError("range_um: the first value must be below the second")
        kind = _KIND_OF.get(self.quantity, "meter")
        for key in self.model_fields_set:
            if key in _BELONGS and kind not in _BELONGS[key]:
                kinds = " or ".join(_BELONGS[key])
                raise ValueError(
                    f"{key}: nothing here; it belongs to a {kinds}, and quantity {self.quantity} is a {kind}"
                )
        return self


class LineDriver(Device):
    """What the kinds have in common; `create` returns the one that `quantity` names."""

    Config = LineConfig

    def __init__(self, name: str, config: LineConfig, link: Link) -> None:
        self.name = name
        self._config = config
        self._link = link
        self._clock = Clock()
        self._health = Health("ok")
        self.answers_within_s = self.opens_within_s = 2.0 * TRIES * config.timeout_s + 5.0

    @classmethod
    def create(cls, name: str, config: LineConfig, link: Link | None) -> LineDriver:
        if link is None:
            raise ValueError(f"{name} needs a link")
        kinds: dict[str, type[LineDriver]] = {"position": LineEncoder, "length": LineGauge, "gauge": LineGauge}
        return kinds.get(config.quantity, LineMeter)(name, config, link)

    async def open(self) -> Identity:
        config = self._config
        self._health = Health("ok")
        if config.identity_ask is None or config.identity_pattern is None:
            await self._number()  # nothing but the right kind of device answers like this
            return Identity()
        said = await self._said(config.identity_ask)
        if not re.search(config.identity_pattern, said):
            raise DeviceMismatch(
                f"{self.name}: the device on link {self._link.name} says '{said}', not '{config.identity_pattern}'.",
                advice="Check which cable is in which port.",
                device=self.name,
            )
        return Identity(model=said)

    async def close(self) -> None:
        """Nothing to leave safe."""

    async def health(self) -> Health:
        if not self._link.connected:
            return Health("fault", "link", f"{self.name}: link {self._link.name} is not connected.")
        return self._health

    async def _said(self, ask: str) -> str:
        terminator = self._config.terminator.encode()
        raw = await self._link.query(ask.encode() + terminator, line(terminator), self._config.timeout_s)
        return raw.decode("ascii", "replace").strip()

    async def _matched(self, ask: str, pattern: str) -> re.Match[str]:
        """Ask, a few times if the answer is damaged or missing: asking changes nothing."""
        said = ""
        for left in reversed(range(TRIES)):
            try:
                said = await self._said(ask)
            except LinkTimeout:
                if not left:
                    raise
                continue
            if found := re.search(pattern, said):
                return found
        raise LinkGarbled(
            f"{self.name} answers '{ask}' with '{said[:60]}', which does not fit the pattern {pattern}.",
            advice="Check the pattern, the baud rate, and that the right device is on this port.",
            device=self.name,
            frames=self._link.recent,
        )

    async def _number(self) -> tuple[float, float]:
        """The number as the device tells it, and the monotonic time in the middle of the exchange."""
        began = time.monotonic()
        try:
            found = await self._matched(self._config.ask, self._config.pattern)
            value = float(found[1])
        except ValueError:
            self._health = Health("fault", "implausible", f"{self.name} tells '{found[1]}', which is no number.")
            raise Implausible(self._health.text, device=self.name, frames=self._link.recent) from None
        except (LinkTimeout, LinkGarbled) as error:
            self._health = Health("fault", error.code, error.text)
            raise
        if not math.isfinite(value) or abs(value) > 1e12:
            self._health = Health("fault", "implausible", f"{self.name} tells {value:g}, which cannot be true.")
            raise Implausible(self._health.text, device=self.name, frames=self._link.recent)
        self._health = Health("ok")
        return value, (began + time.monotonic()) / 2

    def _reading(self, value: float, unit: str, t_mono: float, low: float | None, high: float | None) -> Reading:
        """Outside what the device can tell at all, the reading is bad: overflow, broken sensor, lost contact."""
        inside = (low is None or value >= low) and (high is None or value <= high)
        quality: Literal["good", "bad"] = "good" if inside else "bad"
        if not inside:
            self._health = Health("degraded", "out_of_range", f"{self.name} tells {value:g} {unit}, outside its range.")
        return Reading(value, unit, t_mono, self._clock.utc(), quality)


class LineEncoder(LineDriver, Encoder):
    """A counter of a scale; `reference_ask` tells whether its reference mark has been passed since power-up."""

    def __init__(self, name: str, config: LineConfig, link: Link) -> None:
        super().__init__(name, config, link)
        self.spec = EncoderSpec(config.resolution_um, config.subdivision_um, config.u_scale, config.alpha_per_K)

    async def read(self) -> Reading:
        value, t_mono = await self._number()
        return self._reading(value * self._config.um_per_unit, "um", t_mono, self._config.low, self._config.high)

    async def seek_reference(self) -> bool:
        """Wait for the mark (the caller moves the axis and sets the time limit); False where the scale has none."""
        config = self._config
        if config.reference_ask is None or config.reference_pattern is None:
            return False
        while True:
            try:
                if re.search(config.reference_pattern, await self._said(config.reference_ask)):
                    return True
            except LinkTimeout:
                await self._matched(config.reference_ask, "")  # a silent counter is told, a slow one is not
            await self._clock.sleep(0.02)


class LineGauge(LineDriver, Gauge):
    """A dial or digital indicator; it tells what its display shows, in um, and `grows` says which way that counts."""

    def __init__(self, name: str, config: LineConfig, link: Link) -> None:
        super().__init__(name, config, link)
        assert config.range_um is not None
        low, high = config.range_um
        self.spec = GaugeSpec(low, high, config.resolution_um, config.hysteresis_um, config.u_gain, config.grows)

    async def read(self) -> Reading:
        value, t_mono = await self._number()
        return self._reading(value * self._config.um_per_unit, "um", t_mono, self.spec.low_um, self.spec.high_um)


class LineMeter(LineDriver, Meter):
    """Any scalar."""

    def __init__(self, name: str, config: LineConfig, link: Link) -> None:
        super().__init__(name, config, link)
        self.quantity, self.unit = config.quantity, config.unit

    async def read(self) -> Reading:
        value, t_mono = await self._number()
        told = value * self._config.scale + self._config.offset
        return self._reading(told, self.unit, t_mono, self._config.low, self._config.high)
