"""Strata of the accuracy study for a photodiode that passes through focus at constant speed, both ways.

A case is that of `study_meter`, in virtual time: its carriage goes while its meters are read. The light is gathered
over each integration and smeared by the amplifier, whose time constant the bench file does not state; the speed
ripples, the carriage's place is stamped late, and the meters answer after a time that is not the same each time.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import floor
from typing import Any

import numpy as np

from benchd.bench.motion.figures import check_limits
from benchd.devices import Reading
from benchd.metrology.drawn import Stratum
from benchd.testing.virtual_time import VirtualTimeLoop
from study_meter import Case, Diode, Photodiode, drawn
from study_passes import NODES, POLL_S, TOP_UM_S, TURNS_S, UTC, WEIGHTS, Ripple, run_up

LAGS, LAG_WEIGHTS = np.polynomial.laguerre.laggauss(4)
"""Of an amplifier of first order: lags in time constants, and what each weighs."""


@dataclass(frozen=True, slots=True)
class Passing(Photodiode):
    """A stratum. The meter measures over `integration_s`, by itself or, `asked`, once it is asked; the exchange takes
    up to `answer_s` beside. `rest_s` is stated for the amplifier to come to rest: four to eight of its time constants.
    """

    integration_s: float = 0.01
    asked: bool = False
    answer_s: float = 0.002
    rest_s: float = 0.02
    ripple: float = 0.05


class Moving(Case):
    """The bench of one case in virtual time."""

    of: Passing
    mode = "continuous"
    loop = VirtualTimeLoop
    top_speed_um_s = TOP_UM_S

    def __init__(self, of: Photodiode, rng: np.random.Generator) -> None:
        super().__init__(of, rng)
        self._settle_s = self.of.rest_s / float(rng.uniform(4.0, 8.0))
        self._ripple = Ripple(rng, self.of.ripple)
        self._poll_late_s = float(rng.uniform(0.0, 0.002))
        self._path: Callable[[float], float] = lambda t: self.place_um
        self._before: Callable[[float], float] = self._path
        self._turned_s = 0.0
        self._shown: dict[Diode, tuple[int, float]] = {}
        by_itself = 0.0 if self.of.asked else 1000.0 * self.of.integration_s
        self.stated = {"settle_ms": 1000.0 * self.of.rest_s, "integration_ms": by_itself}

    @property
    def seconds(self) -> float:
        """By the loop; what a bench that stands adds to it is nothing."""
        try:
            return asyncio.get_running_loop().time()
        except RuntimeError:
            return 0.0

    @seconds.setter
    def seconds(self, value: float) -> None: ...

    async def rest(self, seconds: float) -> None:
        await asyncio.sleep(seconds)

    # Meters

    async def told(self, diode: Diode) -> float:
        of, answer_s = self.of, float(self.rng.uniform(0.3, 1.0)) * self.of.answer_s
        await asyncio.sleep(0.5 * answer_s)
        if of.asked:
            await asyncio.sleep(of.integration_s)
            value = self._over(diode, self.seconds)
        else:
            stretch = floor(self.seconds / of.integration_s)
            shown = self._shown.get(diode)
            if shown is None or shown[0] != stretch:
                shown = self._shown[diode] = stretch, self._over(diode, stretch * of.integration_s)
            value = shown[1]
        await asyncio.sleep(0.5 * answer_s)
        return value

    def _over(self, diode: Diode, ended_s: float) -> float:
        """The mean of its light over an integration, smeared by the amplifier, with dark and noise."""
        over_s = ended_s + 0.5 * self.of.integration_s * (NODES - 1.0)
        stood_um, mean = self.place_um, 0.0
        for t, share in zip(over_s, WEIGHTS, strict=True):
            for lag, weight in zip(LAGS, LAG_WEIGHTS, strict=True):
                self.place_um = self._at(float(t - lag * self._settle_s))
                mean += float(share * weight) * diode.light()
        self.place_um = stood_um
        light = self.lamp() * mean
        return light + diode.dark + self.noisy(light)

    # Carriage

    def lamp(self) -> float:
        """It flickers from one integration to the next, of both meters alike."""
        stretch = floor(self.seconds / self.of.integration_s)
        if stretch != self._read:
            self._read, self._flicker = stretch, 1.0 + self.of.flicker * float(self.rng.standard_normal())
        return self.lit * self._flicker * self._drifted()

    def _at(self, t: float) -> float:
        return self._path(t) if t >= self._turned_s else self._before(t)

    def _goes(self, path: Callable[[float], float]) -> None:
        self._before, self._path, self._turned_s = self._path, path, self.seconds

    def _stands(self) -> None:
        place_um = self.place_um
        self._goes(lambda t: place_um)

    def check_limits(self, carriage_um: float) -> None:
        check_limits(carriage_um, self.limits_um)

    def run_up_um(self, speed_um_s: float) -> float:
        return run_up(speed_um_s)

    async def go(self, target_um: float, *, exact: bool = True, settled: Callable[[], None] = lambda: None) -> Reading:
        told = await super().go(target_um, exact=exact, settled=settled)
        self._stands()
        await asyncio.sleep(0.3)
        return Reading(told.value, "um", self.seconds, UTC)

    async def pass_through(
        self, ends_um: Sequence[float], speed_um_s: float, polled: Callable[[int, Reading], None]
    ) -> Reading:
        """Each way at speed from its beginning: what is in a ramp is no reading."""
        for number, end_um in enumerate(ends_um):
            from_um, began_s = self.place_um, self.seconds
            way, lasts_s = (1.0 if end_um > from_um else -1.0), abs(end_um - from_um) / speed_um_s

            def path(t: float, from_um: float = from_um, began_s: float = began_s, way: float = way) -> float:
                return from_um + way * speed_um_s * (t - began_s + self._ripple.ahead_s(began_s, t - began_s))

            self._goes(path)
            while self.seconds < began_s + lasts_s:
                self.place_um = path(self.seconds)
                told_s = self.seconds + self._poll_late_s
                polled(number, Reading(self._read_um(), "um", told_s, UTC))
                await asyncio.sleep(POLL_S + float(self.rng.exponential(0.0003)))
            self.place_um = path(self.seconds)
            self._stands()
            await asyncio.sleep(TURNS_S)
        return Reading(self._read_um(), "um", self.seconds, UTC)

    def _read_um(self) -> float:
        return self.place_um + self.of.place_um * float(self.rng.standard_normal())


PASSES = Passing(repeats=1)
OF_PASSES: Mapping[str, Passing] = {
    "passes": PASSES,
    "passes, asked": replace(PASSES, asked=True),
    "passes, slow amplifier": replace(PASSES, rest_s=0.06),
    "passes, half a wave": replace(PASSES, w040_waves=0.5),
    "passes, f/5.6": replace(PASSES, f_number=5.6),
}
"""One factor at a time."""


def _drawn(of: Passing, rng: np.random.Generator) -> Any:
    return drawn(of, rng, Moving)


STRATA: Mapping[str, Stratum] = {name: partial(_drawn, of) for name, of in OF_PASSES.items()}
