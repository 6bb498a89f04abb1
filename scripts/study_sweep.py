"""One sweep of one case by the daemon's own sweeper, over a carriage and a detector that answer from the case's world.

What stands in for hardware answers at once: the order of stations, the pilot, the search, the gate on light, the
choice of the window and the fit's points are the sweeper's.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from benchd.arrangements.arrangement import Arrangement
from benchd.arrangements.registry import arrangement_of
from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.datum.chain import Chain
from benchd.bench.datum.clearance import Clearance, check_clearance, clearance
from benchd.bench.gate import Gate
from benchd.bench.motion.figures import check_limits
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep.sweep_data import SweepData, SweepOrder
from benchd.bench.sweep.sweeper import Sweeper
from benchd.detectors.detector import Detector
from benchd.detectors.edge.detector import EdgeDetector
from benchd.detectors.values import Capture, Gear, Glance, Measured, Seen
from benchd.devices import Reading
from benchd.metrology.peak_light import FIT_REACH
from benchd_simulators.world.lens import Optic
from study_bench import CaseBench
from study_passes import APPROACH_UM, TOP_UM_S, Motion, over_exposure, run_up
from study_picture import PictureCamera
from study_records import LP_MM
from study_world import SETTLING_UM, CaseWorld, peak_um_of

Floats = NDArray[np.float64]
UTC = "2026-01-01T00:00:00Z"
SPREAD_OF_STATED_NOISE = 0.07
"""How well one picture knows its own noise, relative: rendered pictures scatter by 5 to 10 %."""


GRID = 30
"""Places of a merit curve's grid in a geometric half-width; a spline through them is within 1e-6 of the optics."""


class Inline:
    """The analysis process, without a process."""

    async def run(self, function: Callable[..., Any], *args: Any) -> Any:
        return function(*args)


class Quiet:
    """Store, notices and clock: nothing is kept and nobody listens."""

    async def add_readings(self, rows: object) -> None: ...

    def tell(self, kind: str, doc: object) -> None: ...

    def __init__(self, world: CaseWorld | None = None) -> None:
        self._world = world

    def monotonic(self) -> float:
        return 0.0 if self._world is None else self._world.seconds

    async def sleep(self, seconds: float) -> None: ...


class CaseCarriage:
    """Where the sweeper drives; `exposed_um` is the true place while the shutter is open."""

    limits_um = (0.0, 30000.0)
    overshoot_um = APPROACH_UM
    top_speed_um_s = TOP_UM_S
    stops = 0

    def __init__(self, world: CaseWorld) -> None:
        self._world = world
        timing = world.stratum.timing
        self.motion = None if timing is None else Motion(world, timing)

    def run_up_um(self, speed_um_s: float) -> float:
        return run_up(speed_um_s)

    def check_limits(self, carriage_um: float) -> None:
        check_limits(carriage_um, self.limits_um)

    async def pass_through(
        self, ends_um: Sequence[float], speed_um_s: float, polled: Callable[[int, Reading], None]
    ) -> Reading:
        assert self.motion is not None
        return await self.motion.pass_through(ends_um, speed_um_s, polled)

    async def go(self, target_um: float, *, exact: bool = True, settled: Callable[[], None] = lambda: None) -> Reading:
        place_um = self._world.drive(target_um)
        settled()
        return Reading(place_um, "um", self._world.seconds, UTC)

    async def read(self) -> Reading:
        return Reading(self._world.encoder.read_um(), "um", self._world.seconds, UTC)

    def exposed_um(self) -> float:
        self._world.seconds += 0.3
        return self._world.rail.place_um + SETTLING_UM * float(self._world.rng.standard_normal())


class CaseKeeper:
    """The set-up in force, driven."""

    def __init__(self, bench: CaseBench, chain: Chain) -> None:
        self._bench = bench
        self.chain = chain
        self.document: SetupDocument = bench.document

    @property
    def arrangement(self) -> Arrangement:
        return arrangement_of(self._bench.files.file)

    def require_driven(self) -> None: ...

    def clearance_of(self, document: SetupDocument) -> Clearance:
        return clearance(self._bench.files.file, self._bench.files.records, document)

    def check_depth(self, depth_um: float) -> None:
        check_clearance(self.clearance_of(self.document), depth_um)


class MeritCurve:
    """Modulation of the optic at one frequency over depth, from its transfer function on a fine grid.

    The grid reaches nine geometric half-widths beyond `far_um` either way.
    """

    def __init__(self, optic: Optic, lp_mm: float, middle_um: float, far_um: float = 0.0) -> None:
        half = 705.0 * optic.f_number / lp_mm
        reach = 9.0 + far_um / half
        grid = middle_um + half * np.linspace(-reach, reach, int(GRID * reach) + 1)
        self._spline = CubicSpline(grid, optic.otf_through_focus(lp_mm, grid))

    def __call__(self, depths_um: Floats) -> float:
        """At one depth, or as gathered over several."""
        found = self._spline(depths_um)
        return abs(over_exposure(found) if found.size > 1 else float(found[0]))


class MeritDetector(Detector):
    """Readings straight from the optics with a picture's noise added: both orientations share the place only.

    The modulation of noise alone is not negative: what lies across the phase adds in quadrature and is taken off
    again by its expectation, as the edge method does.
    """

    name = "edge"
    channels = ("v", "h")
    tells_blur = True

    def __init__(self, gear: Gear, world: CaseWorld, carriage: CaseCarriage, optic: Optic) -> None:
        super().__init__(gear)
        self._world, self._carriage, self._lens, self._optic = world, carriage, optic, world.seen(optic)
        self._curves: dict[float, MeritCurve] = {}
        target, by_pixel = world.record.target, world.stratum.arrangement != "wall"
        pixel, side = world.record.camera.pixel_um, target.side_mm
        self._frequency = pixel.record / world.pixel_um if by_pixel else side.record / world.side_mm
        self._u_frequency = pixel.u / pixel.record if by_pixel else float(np.hypot(side.u / side.record, 1e-4))
        self._peak_um = peak_um_of(self._optic)
        self._sd = world.stratum.light.noise * self._optic.modulation(LP_MM, np.array([self._peak_um])).item()

    async def capture(self) -> Capture:
        depth_um = self._world.seen_depth_um(self._lens, self._carriage.exposed_um())
        return Capture(depth_um, self._world.seconds, UTC)

    def check_streams(self) -> None: ...

    def stream(self) -> AsyncIterator[Capture]:
        assert self._carriage.motion is not None
        self._carriage.motion.stand()
        return self._carriage.motion.stream()

    def _read(self, depths_um: Floats, lp_mm: float) -> tuple[tuple[float, float], tuple[float, float]]:
        if lp_mm not in self._curves:
            stratum, optic = self._world.stratum, self._optic
            far_um = abs(stratum.off_um) + (stratum.far_um or 0.0)
            self._curves[lp_mm] = MeritCurve(optic, lp_mm * self._frequency, optic.sharp_um(), far_um)
        true = self._curves[lp_mm](depths_um)
        sd = self._sd * np.sqrt(2.0)
        rng = self._world.rng
        along, across = true + sd * rng.standard_normal(2), sd * rng.standard_normal(2)
        stated = sd * (1.0 + SPREAD_OF_STATED_NOISE * rng.standard_normal(2))
        value = np.sqrt(np.maximum(along**2 + across**2 - stated**2, 0.0))
        return (float(value[0]), float(stated[0])), (float(value[1]), float(stated[1]))

    def _blur_px(self, depth_um: float) -> float:
        """Standard deviation of an edge's spread: a sharp picture's, and the projected blur disc, known to 3 %."""
        world = self._world
        off_um = np.diff(self._optic.defocus_um(np.array([self._peak_um, depth_um]), 0.0)).item()
        disc_um = off_um / self._optic.f_number
        return float(np.hypot(0.7, disc_um / 4.0 / world.pixel_um) * (1.0 + 0.03 * world.rng.standard_normal()))

    async def glance(self, capture: Capture, lp_mm: float) -> Glance:
        v, h = self._read(np.array([capture.data]), lp_mm)
        return Glance(0.5 * (v[0] + h[0]), self._blur_px(capture.data))

    async def settle_on(self, best: Seen, within: Sequence[Seen], lp_mm: float) -> float:
        return self._u_frequency

    async def measure(self, capture: Capture) -> Measured:
        if isinstance(capture.data, float):
            depths = np.array([capture.data])
        else:  # of a stream: the places in its exposure
            depths = np.array([self._world.seen_depth_um(self._lens, place) for place in capture.data])
        v, h = self._read(depths, LP_MM)
        return Measured({"v": v, "h": h})


def order_of(world: CaseWorld, hwhm_um: float) -> SweepOrder:
    """What the stratum asks the sweeper for; a step only where it says how many stations the window shall hold."""
    stratum = world.stratum
    if stratum.timing is not None:
        return SweepOrder(repeats=stratum.repeats, mode="continuous")
    if stratum.inside is None:
        return SweepOrder(repeats=stratum.repeats)
    return SweepOrder(repeats=stratum.repeats, step_um=2.0 * FIT_REACH * hwhm_um / (stratum.inside + 0.5))


def sweep(
    bench: CaseBench,
    chain: Chain,
    optic: Optic,
    order: SweepOrder,
    index: int,
    before: Sequence[SweepData] = (),
    *,
    f_number: float | None = None,
) -> SweepData:
    """Look, plan, take; after others `before` it another pass. Raises BenchdError as the sweeper does.

    `f_number` where the iris is closed."""
    world = bench.world
    carriage = CaseCarriage(world)
    keeper: Any = CaseKeeper(bench, chain)
    quiet: Any = Quiet(world)

    def gear(camera: Any) -> Gear:
        return Gear(camera, "detector", bench.files.file.target, None, cast(Any, Inline()), quiet)

    if world.stratum.rendered:
        detector: Detector = EdgeDetector(gear(PictureCamera(world, carriage.exposed_um, optic)))
    else:
        detector = MeritDetector(gear(None), world, carriage, optic)
    sweeper = Sweeper(cast(Any, carriage), detector, cast(Any, Inline()), keeper, quiet, quiet, quiet)
    run = RunRecord(f"r-{index + 1:04d}", "flange_check", "study", list(before))
    last = before[-1] if before else None

    async def carry_out() -> SweepData:
        return await sweeper.sweep(
            order, f_number or world.stratum.f_number, run, Gate(), lambda _done, _of: None, last
        )

    return asyncio.run(carry_out())
