"""A device that is one text line out and one line back: a scale, an indicator, or any scalar, by pattern."""

from __future__ import annotations

import math
import re

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
    now_s,
)
from benchd_drivers.byte_link import byte_link
from benchd_drivers.line_config import LineConfig
from benchd_drivers.line_stream import LineStream
from benchd_drivers.line_text import unchecked
from benchd_drivers.meter_range import judged

TRIES = 3


class LineDriver(Device):
    """What the kinds have in common; `create` returns the one that `quantity` names."""

    Config = LineConfig

    def __init__(self, name: str, config: LineConfig, link: Link) -> None:
        self.name = name
        self._config = config
        self._link = link
        self._clock = Clock()
        self._health = Health("ok")
        self._stream = LineStream(name, link) if config.ask is None else None
        self.answers_within_s = self.opens_within_s = 2.0 * TRIES * config.timeout_s + 5.0

    @classmethod
    def create(cls, name: str, config: LineConfig, link: Link | None) -> LineDriver:
        kinds: dict[str, type[LineDriver]] = {
            "position": LineEncoder,
            "length": LineGauge,
            "gauge": LineGauge,
            "switch": LineSwitch,
        }
        return kinds.get(config.quantity, LineMeter)(name, config, byte_link(link, name))

    async def open(self) -> Identity:
        config = self._config
        self._health = Health("ok")
        if self._stream is not None:
            await self._stream.begin()
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
        if self._stream is not None:
            await self._stream.end()

    async def health(self) -> Health:
        if not self._link.connected:
            return Health("fault", "link", f"{self.name}: link {self._link.name} is not connected.")
        return self._health

    async def _said(self, ask: str) -> str:
        """The answer; of one whose check does not fit nothing is left."""
        terminator = self._config.terminator.encode()
        raw = await self._link.query(ask.encode() + terminator, line(terminator), self._config.timeout_s)
        return unchecked(raw, self._config.checksum) or ""

    async def _matched(self, ask: str, pattern: str) -> tuple[re.Match[str], float]:
        """Ask, a few times if the answer is damaged or missing: asking changes nothing. With the answer the middle of
        the exchange that was answered."""
        said = ""
        for left in reversed(range(TRIES)):
            began = now_s()
            try:
                said = await self._said(ask)
            except LinkTimeout:
                if not left:
                    raise
                continue
            if found := re.search(pattern, said):
                return found, (began + now_s()) / 2
        raise self._garbled(f"answers '{ask}' with '{said[:60]}'", pattern)

    async def _sent(self, stream: LineStream) -> tuple[re.Match[str], float]:
        """What it sends by itself, a few lines on if one is damaged, and when that came."""
        said, number = "", stream.count + 2
        for _ in range(TRIES):
            raw, t_mono = await stream.from_number(number, self._config.timeout_s)
            number = stream.count + 1
            said = unchecked(raw, self._config.checksum) or ""
            if found := re.search(self._config.pattern, said):
                return found, t_mono
        raise self._garbled(f"sends '{said[:60]}'", self._config.pattern)

    def _garbled(self, what: str, pattern: str) -> LinkGarbled:
        check = "" if self._config.checksum is None else f" with a check by {self._config.checksum}"
        return LinkGarbled(
            f"{self.name} {what}, which does not fit the pattern {pattern}{check}.",
            advice="Check the pattern, the baud rate, and that the right device is on this port.",
            device=self.name,
            frames=self._link.recent,
        )

    async def _number(self) -> tuple[float, float]:
        """The number as the device tells it, and when: in the middle of the exchange, or as its line came."""
        try:
            if self._stream is not None:
                found, t_mono = await self._sent(self._stream)
            else:
                found, t_mono = await self._matched(self._config.ask or "", self._config.pattern)
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
        return value, t_mono

    def _reading(self, value: float, unit: str, t_mono: float, low: float | None, high: float | None) -> Reading:
        quality, self._health = judged(self.name, value, unit, low, high)
        return Reading(value, unit, t_mono, self._clock.utc(), quality)


class LineEncoder(LineDriver, Encoder):
    """A counter of a scale; `reference_ask` tells whether its reference mark has been passed since power-up."""

    def __init__(self, name: str, config: LineConfig, link: Link) -> None:
        super().__init__(name, config, link)
        self.spec = EncoderSpec(
            config.resolution_um, config.subdivision_um, config.u_scale, config.alpha_per_K, config.period_um
        )

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


class LineSwitch(LineDriver, Meter):
    """A switch: its number tells whether its circuit is closed (1) or open (0), any other is no answer of a switch."""

    def __init__(self, name: str, config: LineConfig, link: Link) -> None:
        super().__init__(name, config, link)
        self.quantity, self.unit = config.quantity, ""
        self.contacts = config.contacts

    async def read(self) -> Reading:
        value, t_mono = await self._number()
        if value not in (0.0, 1.0):
            self._health = Health("fault", "implausible", f"{self.name} tells {value:g}, and a switch 0 or 1.")
            raise Implausible(self._health.text, device=self.name, frames=self._link.recent)
        acted_on = value == (0.0 if self.contacts == "normally_closed" else 1.0)
        return self._reading(float(acted_on), "", t_mono, None, None)
