"""A contact gauge as the carriage's scale: clamped to the frame, its tip on the carriage, over the short way it has."""

from __future__ import annotations

from dataclasses import replace
from typing import NoReturn

from benchd.bench.datum.gauge_check import sign_of
from benchd.devices import Encoder, EncoderSpec, Gauge, Health, Identity, Implausible, Link, Reading


class GaugeScale(Encoder):
    """Reads as an encoder without a reference mark, positive deeper.

    Its zero is the gauge's own, as long as nobody touches or zeroes it. Always approached from one side the tip is late
    by as much each time, so half of the hysteresis, either way, is more than it adds.
    """

    def __init__(self, gauge: Gauge) -> None:
        self.gauge = gauge
        self.name = gauge.name
        self._sign = sign_of(gauge.spec)

    @classmethod
    def create(cls, name: str, config: object, link: Link | None) -> NoReturn:
        """Not used: it stands for a gauge that is there."""
        raise NotImplementedError

    @property
    def spec(self) -> EncoderSpec:  # type: ignore[override]  # read only is all that is needed
        gauge = self.gauge.spec
        ends = sorted((self._sign * gauge.low_um, self._sign * gauge.high_um))
        half = None if gauge.hysteresis_um is None else 0.5 * gauge.hysteresis_um
        return EncoderSpec(gauge.resolution_um, half, gauge.u_gain, None, None, range_um=(ends[0], ends[1]))

    async def open(self) -> Identity:
        return await self.gauge.open()

    async def close(self) -> None:
        await self.gauge.close()

    async def health(self) -> Health:
        return await self.gauge.health()

    async def read(self) -> Reading:
        """Raises Implausible beyond the gauge's range."""
        reading = await self.gauge.read()
        if reading.quality == "bad":
            raise Implausible(
                f"{self.name} reads {reading.value:g} µm, out of its range: it does not tell where the carriage is.",
                advice="Bring the carriage into its range by hand, and home. If it leaves it again: clamp the gauge so "
                "that its range holds the travel and the way to the home switch, and find the zero anew.",
                device=self.name,
            )
        return replace(reading, value=self._sign * reading.value)

    async def seek_reference(self) -> bool:
        return False
