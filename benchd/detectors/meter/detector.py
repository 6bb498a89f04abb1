"""A meter behind a slit as a detector: the dark read before each look, every point freed of it and of lamp's drift."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, cast

from benchd.detectors.available import REFERENCE
from benchd.detectors.detector import Detector
from benchd.detectors.meter.keys import MeterKeys, problems_of
from benchd.detectors.meter.light import Dark, LampTrace, Level, Noise, Readings, level_of
from benchd.detectors.meter.stream import as_asked, as_they_change
from benchd.detectors.values import Capture, CurveSeen, Gear, Glance, Measured, Seen, Unusable
from benchd.devices import Meter, Reading
from benchd.errors import BenchdError, Refused
from benchd.optics.slit import lp_mm_of_slit

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from benchd.files.loading import LoadedBench
    from benchd.files.problems import Problem
    from benchd.metrology.peak import PeakFit

ASKED_S = 0.03
"""Of a reading that begins when it is asked for, about, for dry runs."""

SUSPECT = "A meter called some of its readings suspect."
FROZEN = (
    "The meter's readings do not scatter at all, so nothing tells how good they are. Look at its amplifier; if its "
    "display is that coarse, state `resolution` under detectors.meter."
)


class MeterDetector(Detector):
    """Measures the light through the slit, relative to the most that the look saw."""

    name = "meter"
    device = Meter
    channels = ("light",)
    quantity = "Light through the slit"
    legends: ClassVar = {"light": "photodiode"}
    goes_by_reference = True
    scale_from = "width of the slit"
    curve_by_way = True
    modulation = False
    Config = MeterKeys
    at_most_s = 300.0  # a thousand dark readings take long

    def __init__(self, gear: Gear) -> None:
        super().__init__(gear)
        self._keys: MeterKeys = gear.config
        self._meter = cast(Meter, gear.device)
        self._darks: tuple[Dark, Dark | None] | None = None
        self._reference_level: float | None = None
        self._noise: Noise | None = None
        self._most = 1.0
        self._lamp = LampTrace()

    @staticmethod
    def load() -> None:
        import scipy.interpolate
        import scipy.optimize  # noqa: F401

        import benchd.metrology.shape_peak  # noqa: F401

    @classmethod
    def problems(cls, config: Any, loaded: LoadedBench) -> list[Problem]:
        return problems_of(config, loaded)

    @classmethod
    def best_focus(
        cls, z_um: NDArray[np.float64], value: NDArray[np.float64], u: NDArray[np.float64], seen: CurveSeen
    ) -> PeakFit:
        from benchd.detectors.meter.curve import fit

        return fit(z_um, value, u, seen)

    @classmethod
    def blurred_by_um(
        cls,
        fit: PeakFit,
        z_um: NDArray[np.float64],
        value: NDArray[np.float64],
        u: NDArray[np.float64],
        seen: CurveSeen,
    ) -> float:
        from benchd.detectors.meter.curve import blurred_by_um

        return blurred_by_um(z_um, value, u, seen)

    @property
    def point_s(self) -> float:  # type: ignore[override] # read only is all that is needed
        keys = self._keys
        one_s = max(keys.integration_ms / 1000.0, ASKED_S)
        return (keys.settle_ms + keys.integration_ms) / 1000.0 + keys.readings * one_s

    @property
    def returns_every(self) -> int:
        return self._keys.return_every or 0

    def frequency(self, asked: float | None) -> float:
        """The one whose modulation has, by rays, a curve as wide as the slit's: a slit measures at all of them."""
        if asked is not None:
            raise Refused(
                "bad_request",
                f"A slit passes all frequencies, and cannot measure at {asked:g} lp/mm alone.",
                advice="Leave lp_mm away.",
            )
        return lp_mm_of_slit(self._keys.slit_um)

    async def prepare(self) -> None:
        """Read the dark with the light out, and the lamp's reference with it on. Raises BenchdError ('not_found')."""
        light, darkened = self.gear.light, self.gear.darkened
        assert light is not None
        assert darkened is not None, "the bench file was checked to have a light"
        if await light.level() == 0.0:
            raise BenchdError("not_found", "The target's light is at level 0.", advice="Turn it up, then sweep again.")
        async with darkened():
            await self._rest()
            taken = await self._read(self._keys.dark_readings)
        if taken.bad:
            raise BenchdError(
                "not_found",
                f"Of the readings with the light out {taken.bad} are bad.",
                advice="Look at the meters and their range.",
            )
        self._darks = Dark.of(taken.signal), None if taken.reference is None else Dark.of(taken.reference)
        self._lamp, self._noise, self._most = LampTrace(), None, 1.0
        await self._rest()
        lit = await self._read(self._keys.readings)
        reference_dark = self._darks[1]
        if lit.reference is not None and reference_dark is not None:
            self._reference_level = sum(lit.reference) / len(lit.reference) - reference_dark.level

    async def capture(self) -> Capture:
        await self._rest()
        clock = self.gear.clock
        began_s = clock.monotonic()
        taken = await self._read(self._keys.readings)
        exposed_s = self._keys.readings * self._keys.integration_ms / 1000.0
        return Capture(taken, 0.5 * (began_s + clock.monotonic()), clock.utc(), exposed_s)

    def check_streams(self) -> None:
        if self.gear.reference is None:
            raise Refused(
                "bad_request",
                "While the carriage passes through nothing tells the lamp's drift from the curve: it does not go back "
                "to the sharpest place.",
                advice=f"Give a second meter, that sees the lamp alone, the role {REFERENCE}, or leave the mode away.",
            )

    def stream(self) -> AsyncIterator[Capture]:
        """One reading after the other: of a meter that measures by itself each that is new, of one that begins when it
        is asked each answer."""
        smeared_s, integration_s = self._keys.settle_ms / 1000.0, self._keys.integration_ms / 1000.0
        read, clock = partial(self._read, 1), self.gear.clock
        if integration_s > 0.0:
            return as_they_change(read, clock, integration_s, smeared_s)
        return as_asked(read, clock, smeared_s)

    async def glance(self, capture: Capture, lp_mm: float) -> Glance | Unusable:
        level = self._level(capture)
        return level if isinstance(level, Unusable) else Glance(max(level.mean, 0.0), seen=level)

    async def settle_on(self, best: Seen, within: Sequence[Seen], lp_mm: float) -> float:
        """Fix the noise of a reading, from all that the look read, and the light that counts as 1."""
        assert self._darks is not None
        dark = self._darks[0]
        levels = [cast(Level, one.glance.seen) for one in (within or [best])]
        most = best.glance.value
        if most <= 0.0 or abs(dark.level) > most:
            unit = self._meter.unit
            raise Refused(
                "not_found",
                f"The level without light, {dark.level:.3g} {unit}, is more than the light through the slit where it "
                f"is brightest, {most:.3g} {unit}.",
                advice="Shield slit and photodiode from the room's light, set the amplifier's zero, or give more "
                "light.",
                data={"dark": dark.level, "light": most},
            )
        self._noise, self._most = Noise.of(levels, dark.variance, self._keys.resolution), most
        return self._keys.u_rel

    async def returned(self, capture: Capture) -> None:
        """How bright the lamp is, by the light where the image is sharpest."""
        level = self._level(capture)
        if isinstance(level, Unusable):
            raise BenchdError("not_found", level.text, advice=level.advice)
        if level.mean <= 0.0:
            raise BenchdError("not_found", "No light is left where there was most of it.", advice="Look at the lamp.")
        self._lamp.seen.append((capture.t_mono, level.mean))

    async def measure(self, capture: Capture) -> Measured | Unusable:
        level, noise = self._level(capture), self._noise
        assert noise is not None
        if isinstance(level, Unusable):
            return level
        lamp, times = self._lamp.at(capture.t_mono)
        readings = len(capture.data.signal)
        returned = noise.u(self._most, self._keys.readings) / self._most
        u_return = times * returned
        value = level.mean / lamp
        u = math.hypot(noise.u(level.mean, readings) / lamp, level.u_dark / lamp, value * u_return)
        if u <= 0.0:
            return Unusable("frozen", FROZEN, "")
        flags = (self._said(), *((SUSPECT,) if capture.data.suspect else ()))
        return Measured({"light": (value / self._most, u / self._most)}, flags=flags)

    def _said(self) -> str:
        """How it was measured, for the notes of a finding."""
        assert self._darks is not None
        keys, dark = self._keys, self._darks[0]
        lamp = "by its reference" if self.gear.reference else f"by going back after every {keys.return_every} stations"
        return (
            f"Light through a slit of {keys.slit_um:g} µm: the level without light, {dark.level / self._most:.2%} of "
            f"the most (u = {dark.u / self._most:.2%}), is taken off, and the lamp's drift {lamp}. The frequency told "
            "is that whose modulation is as wide through focus."
        )

    def _level(self, capture: Capture) -> Level | Unusable:
        assert self._darks is not None
        taken: Readings = capture.data
        if taken.bad:
            text = f"{taken.bad} of {len(taken.signal)} readings are bad: outside what the meter says it can tell."
            return Unusable("bad", text, "Look at the meter's range, at the lamp's level, and for a loose lead.")
        return level_of(taken, *self._darks, self._reference_level)

    async def _rest(self) -> None:
        """What the meter tells after this is of this place alone."""
        await self.gear.clock.sleep((self._keys.settle_ms + self._keys.integration_ms) / 1000.0)

    async def _read(self, count: int) -> Readings:
        """So many readings, each of another stretch of light. Raises BenchdError ('not_found') where the signal is at
        the meter's end."""
        signal: list[Reading] = []
        lamp: list[Reading] = []
        reference = self.gear.reference
        for i in range(count):
            if i:
                await self.gear.clock.sleep(self._keys.integration_ms / 1000.0)
            if reference is None:
                signal.append(await self._meter.read())
                continue
            both = await asyncio.gather(self._meter.read(), reference.read())
            signal.append(both[0])
            lamp.append(both[1])
        highest = max(abs(one.value) for one in signal)
        if highest >= self._keys.full_scale:
            raise BenchdError(
                "not_found",
                f"The meter reads {highest:.4g} {self._meter.unit}, and {self._keys.full_scale:g} is the most it can "
                "tell: what is beyond looks the same.",
                advice="Dim the lamp, or let the amplifier gain less; then sweep again.",
                data={"reads": highest, "full_scale": self._keys.full_scale},
            )
        qualities = [one.quality for one in (*signal, *lamp)]
        values = tuple(one.value for one in lamp) if reference is not None else None
        bad, suspect = qualities.count("bad"), qualities.count("suspect")
        return Readings(tuple(one.value for one in signal), values, bad, suspect, signal[-1].t_mono)
