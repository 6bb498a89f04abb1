"""Strata of the accuracy study for a photodiode behind a slit: its sweep from the first look to best focus.

The sweeper and the detector are the daemon's own; lens, slits and light are the simulators', passed twice by way of a
mirror. Each case draws lens, slits, lamp, dark level and noise anew, and by other distributions than the fit takes them
to have. The datum chain is not in it: that is studied with the other detectors. The truth is the depth at which most
light passes these slits.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from functools import partial
from types import SimpleNamespace
from typing import Any, Literal, cast

import numpy as np
from scipy.interpolate import CubicSpline

from benchd.arrangements.places import OnCarriage
from benchd.bench.datum.chain import Chain
from benchd.bench.gate import Gate
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep.sweep_data import SweepData, SweepOrder
from benchd.bench.sweep.sweeper import Sweeper
from benchd.detectors.meter.detector import MeterDetector
from benchd.detectors.meter.keys import MeterKeys
from benchd.detectors.values import CurveSeen, Gear
from benchd.devices import Reading
from benchd.errors import Refused
from benchd.metrology.distribution import coverage_factor
from benchd.metrology.drawn import Drawn, Stratum
from benchd.metrology.peak import NoPeak, PeakFit
from benchd_simulators.world import slits
from benchd_simulators.world.arrangements.autocollimation import TwicePassed
from benchd_simulators.world.lens import Optic
from study_sweep import UTC, Inline

NM, TWICE, MIRROR_UM = 546.0, 0.5, 150e3
NOMINAL_UM = 10000.0
CHAIN = Chain((), (), NOMINAL_UM, 0.0, (), (), (), OnCarriage(24000.0, 0.0, NOMINAL_UM), 0.0, None)
STATION_S = 0.6
"""World time of a station: travel, settling, readings."""


@dataclass(frozen=True, slots=True)
class Photodiode:
    """A stratum. `noise` is the standard deviation of one reading without light, over the light at the peak, and `shot`
    what that adds in it; `tails` the degrees of freedom of Student's t by which both are drawn, None for normal ones.
    The lamp drifts by up to `drift` over some ten minutes, and flickers by `flicker` from one reading to the next. The
    dark level is up to `dark` of the peak. `place_um` is the noise of the carriage's place.
    """

    f_number: float = 2.0
    slit_um: float = 25.0
    w040_waves: float = 0.25
    noise: float = 0.001
    shot: float = 0.002
    tails: float | None = None
    drift: float = 0.05
    flicker: float = 0.002
    dark: float = 0.05
    place_um: float = 0.05
    repeats: int = 3
    two_slits: bool = False
    return_every: int | None = None


class Case:
    """The bench of one case; `place_um` is where its carriage stands."""

    limits_um = (0.0, 30000.0)
    overshoot_um = 100.0
    stops = 0
    mode: Literal["stepped", "continuous"] = "stepped"
    loop: Callable[[], asyncio.AbstractEventLoop] | None = None

    def __init__(self, of: Photodiode, rng: np.random.Generator) -> None:
        self.of, self.rng = of, rng
        self.seconds = 0.0
        self.place_um = self._told_um = NOMINAL_UM
        self._flicker, self._read = 1.0, 0
        self.lit = 1.0
        waves = of.w040_waves * float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.8, 1.2))
        self.slits = self._slits()
        optic = Optic(
            of.f_number * (1.0 + float(rng.uniform(-0.02, 0.02))),
            float(rng.uniform(-40.0, 40.0)),
            even_um=(1e-3 * NM * waves, 1e-3 * NM * float(rng.uniform(-0.05, 0.05))),
            nm=(NM - 10.0, NM, NM + 10.0),
            weight=(0.25, 0.5, 0.25),
            focus_um=tuple(10.0 * float(rng.normal(0.0, 0.08)) * one for one in (-1.0, 0.0, 1.0)),
            focal_um=50e3,
        )
        self.optic = TwicePassed.of(optic, MIRROR_UM)
        # By waves as far as a fit sees: where rays take over, which know no aberration, the light goes up in a step.
        self._near = slits.NEAR_SLITS * of.f_number * of.slit_um * TWICE
        share = np.linspace(-1.0, 1.0, 161)  # closer where the curve is nearly a cusp
        self._sharp_um = self.optic.sharp_um()
        grid = self._sharp_um + self._near * share * (0.2 + 0.8 * np.abs(share))
        self._spline = CubicSpline(grid, slits.passes(self.optic, grid, *self.slits))
        fine = self._sharp_um + 0.25 * self._near * np.linspace(-1.0, 1.0, 20001)
        self.truth_um = float(fine[int(np.argmax(self._spline(fine)))])
        self._top = float(self._spline(self.truth_um))
        self._slope = float(rng.uniform(-1.0, 1.0)) * of.drift / 600.0
        self._warm = float(rng.uniform(-1.0, 1.0)) * of.drift
        self.stated: dict[str, float] = {"settle_ms": 5.0}
        self.dark, self.reference_dark = (float(rng.uniform(-0.2, 1.0)) * of.dark for _ in range(2))

    def _slits(self) -> tuple[float, float]:
        drawn = [self.of.slit_um * (1.0 + float(self.rng.uniform(-0.005, 0.005))) for _ in range(2)]
        return (drawn[0], drawn[1]) if self.of.two_slits else (drawn[0], drawn[0])

    def passes(self) -> float:
        """Light through the slits, 1 at the peak."""
        off_um = self.place_um - NOMINAL_UM
        if abs(off_um - self._sharp_um) < self._near:
            return float(self._spline(off_um)) / self._top
        blur_um = abs(float(self.optic.defocus_um(np.asarray(off_um), 0.0))) / self.optic.f_number
        return slits.by_rays(blur_um, *self.slits) / self._top

    def lamp(self) -> float:
        """As it is, and flickers: the same for both meters, which are read at once."""
        if self._read % (1 if self.of.return_every else 2) == 0:
            self._flicker = 1.0 + self.of.flicker * float(self.rng.standard_normal())
        self._read += 1
        return self.lit * self._flicker * self._drifted()

    def _drifted(self) -> float:
        return 1.0 + self._slope * self.seconds + self._warm * math.exp(-self.seconds / 120.0)

    async def rest(self, seconds: float) -> None:
        self.seconds += seconds

    async def told(self, diode: Diode) -> float:
        """What a meter reads now: the level of its light and dark, with noise."""
        self.seconds += 0.01
        light = self.lamp() * diode.light()
        return light + diode.dark + self.noisy(light)

    def noisy(self, light: float) -> float:
        drawn = self.rng.standard_normal() if self.of.tails is None else self._t(self.of.tails)
        return float(math.sqrt(self.of.noise**2 + self.of.shot**2 * max(light, 0.0)) * drawn)

    def _t(self, dof: float) -> float:
        return float(self.rng.standard_t(dof)) / math.sqrt(dof / (dof - 2.0))

    # Carriage

    async def go(self, target_um: float, *, exact: bool = True, settled: Callable[[], None] = lambda: None) -> Reading:
        self.seconds += STATION_S
        self.place_um = target_um + float(self.rng.normal(0.0, 0.3))
        self._told_um = self.place_um + self.of.place_um * float(self.rng.standard_normal())
        settled()
        return await self.read()

    async def read(self) -> Reading:
        return Reading(self._told_um, "um", self.seconds, UTC)


class Diode:
    """Either meter: what it looks at is `light` of the case at the lamp's brightness."""

    unit = "V"

    def __init__(self, case: Case, light: Callable[[], float], dark: float) -> None:
        self._case, self.light, self.dark = case, light, dark

    async def read(self) -> Reading:
        began_s = self._case.seconds
        value = await self._case.told(self)
        return Reading(value, self.unit, 0.5 * (began_s + self._case.seconds), UTC)


class Quiet:
    """Store, notices and clock: nothing is kept, nobody listens, and the time is the case's."""

    def __init__(self, case: Case) -> None:
        self._case = case

    async def add_readings(self, rows: object) -> None: ...

    def tell(self, kind: str, doc: object) -> None: ...

    def monotonic(self) -> float:
        return self._case.seconds

    def utc(self) -> str:
        return UTC

    async def sleep(self, seconds: float) -> None:
        await self._case.rest(seconds)


def swept(
    of: Photodiode, rng: np.random.Generator, made: type[Case] = Case, **changed: Any
) -> tuple[Case, MeterDetector, SweepData]:
    """A case, its detector with the keys of the stratum or those `changed`, and what a sweep brings. Raises BenchdError
    as the sweeper does."""
    case = made(of, rng)
    quiet: Any = Quiet(case)

    @asynccontextmanager
    async def darkened(share: float = 0.0) -> AsyncIterator[None]:
        case.lit = share
        yield
        case.lit = 1.0

    async def level() -> float:
        return 1.0

    stated = {"slit_um": of.slit_um, "u_slit_um": 0.006 * of.slit_um, "full_scale": 100.0, **case.stated}
    keys = MeterKeys.model_validate({**stated, "return_every": of.return_every, **changed})
    reference: Any = None if of.return_every else Diode(case, lambda: 1.0, case.reference_dark)
    light: Any = SimpleNamespace(level=level)
    meter: Any = Diode(case, case.passes, case.dark)
    inline: Any = Inline()
    nothing: dict[str, Any] = dict.fromkeys(("distance_mm", "m", "lens", "ring"))
    keeper: Any = SimpleNamespace(
        chain=CHAIN,
        arrangement=SimpleNamespace(curve_width=TWICE),
        document=SimpleNamespace(rev=1, glass=(), adapters=(), trim_um=0.0, told_by={}, wavelength_nm=NM, **nothing),
        check_depth=lambda depth_um: None,
        require_driven=lambda: None,
        clearance_of=lambda document: SimpleNamespace(least_depth_um=None),
    )
    detector = MeterDetector(Gear(meter, "detector", quiet, light, inline, quiet, keys, reference, darkened))
    sweeper = Sweeper(cast(Any, case), detector, inline, keeper, quiet, quiet, quiet)
    run = RunRecord(f"r-{1 + int(rng.integers(9000)):04d}", "sweep", "study")
    order = SweepOrder(repeats=of.repeats, mode=case.mode)
    with asyncio.Runner(loop_factory=case.loop) as runner:
        work = sweeper.sweep(order, of.f_number, run, Gate(), lambda done, of: None)
        return case, detector, runner.run(work)


def fitted(of: Photodiode, detector: MeterDetector, data: SweepData) -> PeakFit:
    """Best focus as a finding has it. Raises NoPeak."""
    columns = [(p.offset_um, *p.channels["light"]) for p in data.points]
    z, value, u = (np.array(column) for column in zip(*columns, strict=True))
    way = data.way_um, data.least_way_um
    return detector.best_focus(
        z, value, u, CurveSeen(of.f_number, data.lp_mm, NM, TWICE, of.place_um, data.latencies, *way)
    )


def drawn(of: Photodiode, rng: np.random.Generator, made: type[Case] = Case) -> Drawn:
    """A case: what a sweep finds, beside the truth. Where it is refused, for too little light, another is drawn."""
    try:
        case, detector, data = swept(of, rng, made)
        fit = fitted(of, detector, data)
    except (Refused, NoPeak):
        return drawn(of, rng, made)
    u_um = math.hypot(fit.u_um, *(line.u for line in data.timing))
    return Drawn(fit.peak_um, u_um, coverage_factor(float(fit.dof)) * u_um, case.truth_um)


REFERENCE = Photodiode()
OF_METER: Mapping[str, Photodiode] = {
    "reference": REFERENCE,
    "return": replace(REFERENCE, return_every=5),
    "one pass": replace(REFERENCE, repeats=1),
    "f/1.4": replace(REFERENCE, f_number=1.4),
    "f/5.6": replace(REFERENCE, f_number=5.6),
    "narrow slit": replace(REFERENCE, f_number=2.8, slit_um=10.0),
    "half a wave": replace(REFERENCE, w040_waves=0.5),
    "poor light": replace(REFERENCE, noise=0.03, shot=0.02),
    "wild readings": replace(REFERENCE, noise=0.01, tails=3.0),
    "two slits": replace(REFERENCE, two_slits=True),
    "steps": replace(REFERENCE, place_um=1.0),
}
"""One factor at a time; light passes the lens twice, so half a wave counts as a whole one."""

STRATA: Mapping[str, Stratum] = {name: partial(drawn, of) for name, of in OF_METER.items()}
