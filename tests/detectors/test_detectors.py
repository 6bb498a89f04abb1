"""What a sweep asks of a detector: looked for by values alone, measured at places, and whatever one may do amiss."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Sequence
from types import SimpleNamespace
from typing import Any, ClassVar, cast

import numpy as np
import pytest
from scipy.special import j1

from benchd.arrangements.places import OnCarriage
from benchd.bench.datum.chain import Chain
from benchd.bench.gate import Gate
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep.captures import Captures
from benchd.bench.sweep.coarse_scan import FAR_UM, CoarseScan
from benchd.bench.sweep.sweep_data import SweepData, SweepOrder
from benchd.bench.sweep.sweeper import Sweeper
from benchd.detectors import registry
from benchd.detectors.available import AvailableDetectors, available_detectors
from benchd.detectors.detector import Detector
from benchd.detectors.guarded import guarded
from benchd.detectors.values import Capture, Gear, Glance, Measured, Seen, Unusable
from benchd.devices import Meter, Reading
from benchd.errors import BenchdError, Refused
from benchd.files.loading import LoadedBench
from benchd.optics.focus_depth import half_width_um
from benchd_simulators.world.lens import Optic

CHAIN = Chain((), (), 10000.0, 0.0, (), (), (), OnCarriage(24000.0, 0.0, 10000.0), 0.0, None)
UTC = "2026-01-01T00:00:00Z"
F_NUMBER, LP_MM = 2.0, 40.0
HALF_WIDTH_UM = half_width_um(F_NUMBER, LP_MM)
NOISE = 0.002


def blur_disc(offset_um: float) -> float:
    """Geometric blur of a circular pupil, |2 J1(x) / x|, half at x = 2.215089: textbook, used here as a test shape.

    Its side lobes stand at x = 5.14, 8.42, 11.6 and have 0.13, 0.065, 0.040 of the peak (zeros of J2).
    """
    x = 2.215089 * abs(offset_um) / HALF_WIDTH_UM + 1e-9
    return abs(float(2.0 * j1(x) / x))


class World:
    """A carriage that is where it is sent at once, over a curve whose focus is `focus_um` from nominal."""

    overshoot_um = 100.0
    limits_um = (0.0, 30000.0)
    stops = 0

    def __init__(self, focus_um: float, seed: int = 1) -> None:
        self.focus_um = focus_um
        self.rng = np.random.default_rng(seed)
        self.place_um = 10000.0
        self.curve: Callable[[float], float] = blur_disc

    async def go(self, target_um: float, *, exact: bool = True, settled: Callable[[], None] = lambda: None) -> Reading:
        self.place_um = target_um
        settled()
        return await self.read()

    async def read(self) -> Reading:
        return Reading(self.place_um, "um", 0.0, UTC)

    def off_um(self) -> float:
        return self.place_um - 10000.0 - self.focus_um


class Quiet:
    """Store, notices, clock and worker: what is kept is remembered, and nothing waits."""

    def __init__(self) -> None:
        self.rows: list[Any] = []

    async def add_readings(self, rows: Sequence[Any]) -> None:
        self.rows += rows

    def tell(self, kind: str, doc: object) -> None: ...

    async def sleep(self, seconds: float) -> None: ...

    def monotonic(self) -> float:
        return 0.0

    async def run(self, work: Callable[..., Any], *args: Any) -> Any:
        return work(*args)

    async def close(self) -> None: ...


class Level(Detector):
    """One value at a place, and no word of blur."""

    name = "level"
    device = Meter
    channels = ("mean",)
    unit = "V"
    quantity = "Light"
    point_s = 0.1
    world: World
    lost: ClassVar[tuple[int, ...]] = ()

    def __init__(self, gear: Gear) -> None:
        super().__init__(gear)
        self.taken = 0

    async def capture(self) -> Capture:
        self.taken += 1
        value = 0.8 * self.world.curve(self.world.off_um()) + NOISE * float(self.world.rng.standard_normal())
        return Capture((self.taken, value), float(self.taken), UTC)

    async def glance(self, capture: Capture, lp_mm: float) -> Glance | Unusable:
        return Glance(max(capture.data[1], 0.0))

    async def measure(self, capture: Capture) -> Measured | Unusable:
        if capture.data[0] in self.lost:
            return Unusable("dark", "It is dark.")
        return Measured({"mean": (capture.data[1], NOISE)}, brightness=1.0)


class Blurred(Level):
    """The same, with a blur that is told while there is contrast enough."""

    name = "blurred"
    tells_blur = True

    async def glance(self, capture: Capture, lp_mm: float) -> Glance | Unusable:
        off = abs(self.world.off_um())
        if off > 300.0:
            return Unusable("blurred", "There is nothing to be seen.")
        return Glance(max(capture.data[1], 0.0), math.hypot(3.0, off / F_NUMBER))


def keeper() -> Any:
    nothing: dict[str, Any] = dict.fromkeys(("distance_mm", "m", "lens", "ring"))
    document = SimpleNamespace(rev=3, glass=(), adapters=(), trim_um=0.0, told_by={}, **nothing)
    return SimpleNamespace(
        chain=CHAIN,
        arrangement=SimpleNamespace(curve_width=1.0),
        document=document,
        check_depth=lambda depth_um: None,
        require_driven=lambda: None,
        clearance_of=lambda document: SimpleNamespace(least_depth_um=None),
    )


def made(kind: type[Level], world: World, quiet: Quiet | None = None) -> Detector:
    found = type(kind.__name__, (kind,), {"world": world})
    still: Any = quiet or Quiet()
    return guarded(found, Gear(cast(Any, None), "detector", cast(Any, None), None, still, still), "package tests 1.0")


async def searched(kind: type[Level], focus_um: float, seed: int = 1) -> float:
    world, quiet = World(focus_um, seed), Quiet()
    detector = made(kind, world, quiet)
    shots = Captures(cast(Any, world), detector.capture, keeper(), cast(Any, quiet))
    found, _ = await CoarseScan(shots, detector, cast(Any, quiet)).find(0.0, 0.0, HALF_WIDTH_UM, LP_MM, Gate())
    return found.peak_um


# Places that a pilot sees well, sees a flank of, sees nothing but side lobes of (2.3, 3.8, 5.2 half-widths), and far.
@pytest.mark.parametrize("kind", [Level, Blurred])
@pytest.mark.parametrize("off_hw", [0.0, 0.7, -1.4, 2.3, -3.8, 5.2, -9.0, 16.0])
async def test_the_focus_is_found_wherever_it_is(kind: type[Level], off_hw: float) -> None:
    focus_um = off_hw * HALF_WIDTH_UM
    assert abs(focus_um) < FAR_UM
    assert abs(await searched(kind, focus_um) - focus_um) < 0.3 * HALF_WIDTH_UM


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("focus_um", [-900.0, 750.0, 2500.0])
async def test_values_alone_take_no_side_lobe_for_a_focus_out_of_reach(focus_um: float, seed: int) -> None:
    with pytest.raises(Refused, match="No best focus within reach"):
        await searched(Level, focus_um, seed)


@pytest.mark.parametrize("waves", [-1.0, 1.0])
@pytest.mark.parametrize("off_hw", [0.7, 2.3, -9.0])
async def test_values_alone_find_a_lens_with_a_wave_of_spherical_aberration(waves: float, off_hw: float) -> None:
    """Its side lobes on one side are a quarter as high as its peak, by the simulator's optics."""
    z = np.linspace(-1500.0, 1500.0, 3001)
    value = np.abs(Optic(F_NUMBER, 0.0, even_um=(0.546 * waves,)).otf_through_focus(LP_MM, z))
    world, quiet = World(off_hw * HALF_WIDTH_UM), Quiet()
    z -= z[value.argmax()]
    world.curve = lambda off_um: float(np.interp(off_um, z, value))
    detector = made(Level, world, quiet)
    shots = Captures(cast(Any, world), detector.capture, keeper(), cast(Any, quiet))
    found, _ = await CoarseScan(shots, detector, cast(Any, quiet)).find(0.0, 0.0, HALF_WIDTH_UM, LP_MM, Gate())
    assert abs(found.peak_um - world.focus_um) < 0.3 * HALF_WIDTH_UM


async def swept(detector: Detector, world: World, quiet: Quiet) -> SweepData:
    any_quiet: Any = quiet
    sweeper = Sweeper(cast(Any, world), detector, any_quiet, keeper(), any_quiet, any_quiet, any_quiet)
    run = RunRecord("r-0001", "sweep", "rail")
    return await sweeper.sweep(SweepOrder(lp_mm=LP_MM), F_NUMBER, run, Gate(), lambda done, of: None)


async def test_a_sweep_keeps_what_the_detector_measures_under_its_name() -> None:
    world, quiet = World(20.0), Quiet()
    data = await swept(made(Level, world, quiet), world, quiet)
    assert (data.merit, data.detector, data.lp_mm, data.refused) == ("level", "detector", LP_MM, 0)
    assert [(row.channel, row.unit, row.u, row.device) for row in quiet.rows] == [
        ("level.mean", "V", NOISE, "detector")
    ] * len(data.points)
    assert [point.channels["mean"][0] for point in data.points] == [row.value for row in quiet.rows]
    top = max(data.points, key=lambda point: point.channels["mean"][0])
    assert abs(top.offset_um - 20.0) < 0.5 * HALF_WIDTH_UM


async def test_a_point_that_gives_no_value_is_kept_as_bad_and_told() -> None:
    world, quiet = World(0.0), Quiet()
    detector = made(type("Lossy", (Level,), {"lost": tuple(range(30, 33))}), world, quiet)
    data = await swept(detector, world, quiet)
    bad = [row for row in quiet.rows if row.quality == "bad"]
    assert [(row.value, row.u) for row in bad] == [(None, None)] * data.refused
    assert data.refused == 3
    assert data.flags == [f"3 of {data.refused + len(data.points)} points of a sweep could not be measured; "
                          "of the first: It is dark."]  # fmt: skip


# What a detector of another package may do amiss


async def raises(*args: Any) -> Any:
    raise KeyError("colour")


async def exits(*args: Any) -> Any:
    raise SystemExit(3)


async def hangs(*args: Any) -> Any:
    await asyncio.sleep(60.0)


async def answers_none(*args: Any) -> Any:
    return None


async def surer_than_long(*args: Any) -> Any:
    return Capture((1, 0.5), 1.0, UTC, exposed_s=0.01, surely_s=0.02)


async def not_a_number(*args: Any) -> Any:
    return Measured({"mean": (math.nan, 1.0)})


async def another_channel(*args: Any) -> Any:
    return Measured({"green": (0.5, 0.1)})


async def too_sure(*args: Any) -> Any:
    return Measured({"mean": (0.5, 0.0)})


async def a_list(*args: Any) -> Any:
    return Measured({"mean": [0.5, 0.1]})  # type: ignore[dict-item]


@pytest.mark.parametrize(
    ("call", "does", "code", "says"),
    [
        ("prepare", raises, "device_fault", "failed in prepare: KeyError: 'colour'."),
        ("prepare", hangs, "timeout", "did not come back from prepare within 0.2 s."),
        ("capture", raises, "device_fault", "failed in capture: KeyError: 'colour'."),
        ("capture", answers_none, "device_fault", "answered capture with None, which is no Capture."),
        ("capture", hangs, "timeout", "did not come back from capture within 0.2 s."),
        ("capture", surer_than_long, "device_fault", "with surely_s 0.02, which is not from 0 to exposed_s, 0.01"),
        ("glance", exits, "device_fault", "failed in glance: SystemExit: 3."),
        ("glance", answers_none, "device_fault", "answered glance with None, which is no Glance."),
        ("settle_on", answers_none, "device_fault", "answered settle_on with None, which is no finite number."),
        ("measure", raises, "device_fault", "failed in measure: KeyError: 'colour'."),
        ("measure", hangs, "timeout", "did not come back from measure within 0.2 s."),
        ("measure", not_a_number, "device_fault", "answered measure with nan, which is no finite number."),
        ("measure", another_channel, "device_fault", "its channels are mean."),
        ("measure", too_sure, "device_fault", "answered measure with 0, which is not above 0."),
        ("measure", a_list, "device_fault", "which is no value with its u."),
    ],
)
async def test_what_it_does_amiss_costs_the_sweep_and_names_it(
    call: str, does: Callable[..., Any], code: str, says: str
) -> None:
    world, quiet = World(0.0), Quiet()
    detector = made(type("Amiss", (Level,), {call: does, "at_most_s": 0.2}), world, quiet)
    with pytest.raises(BenchdError) as caught:
        await swept(detector, world, quiet)
    assert caught.value.code == code
    assert caught.value.text.startswith("The detector 'level' of package tests 1.0 ")
    assert says in caught.value.text
    assert "fault of that package" in caught.value.advice


async def test_what_it_says_itself_is_told_as_it_says_it() -> None:
    async def dark(self: Any) -> None:
        raise BenchdError("not_found", "The lamp is out.", advice="Light it.")

    world, quiet = World(0.0), Quiet()
    with pytest.raises(BenchdError, match="The lamp is out") as caught:
        await swept(made(type("Dark", (Level,), {"prepare": dark}), world, quiet), world, quiet)
    assert (caught.value.code, caught.value.advice) == ("not_found", "Light it.")


async def test_a_value_of_nothing_at_the_peak_is_no_sweep() -> None:
    async def nothing(self: Any, capture: Capture) -> Measured:
        return Measured({"mean": (0.0, 0.1)})

    world, quiet = World(0.0), Quiet()
    with pytest.raises(Refused, match="at the peak is not above zero"):
        await swept(made(type("Nothing", (Level,), {"measure": nothing}), world, quiet), world, quiet)


# Which one a sweep is taken by


def on_camera(wall: LoadedBench) -> AvailableDetectors:
    from benchd.bench.assembly import build

    still: Any = Quiet()
    return available_detectors(build(wall), wall.file.target, still, still)


def test_auto_is_the_first_of_ours_that_works_on_the_device(wall: LoadedBench) -> None:
    found = on_camera(wall)
    auto, edge = found.chosen("auto", None), found.chosen("edge", 20.0)
    assert auto.detector is edge.detector
    assert (auto.detector.name, auto.lp_mm, edge.lp_mm) == ("edge", 40.0, 20.0)
    assert auto.point_s > 0.0


@pytest.mark.parametrize("merit", ["star", "pairs", "eye", "edg"])
def test_a_merit_that_nobody_measures_is_refused_with_those_that_are_measured(wall: LoadedBench, merit: str) -> None:
    with pytest.raises(Refused, match=f"no detector '{merit}'") as caught:
        on_camera(wall).chosen(merit, None)
    assert (caught.value.code, caught.value.advice) == ("unknown_name", "Here: edge.")


def test_without_a_device_in_the_role_nothing_is_swept() -> None:
    with pytest.raises(Refused, match="no detector to sweep with") as caught:
        AvailableDetectors({}, None).chosen("auto", None)
    assert caught.value.advice == "Give a camera or meter that role."


def test_what_ships_is_declared_as_it_has_to_be() -> None:
    assert registry.names() == ("edge", "meter")
    assert registry.passed_over() == []
    assert [registry.works_on(name) for name in registry.names()] == ["camera", "meter"]
    assert registry.legend("edge.v") == "vertical edges"
    assert registry.legend("gone.level") == "gone.level"
    assert (registry.quantity("edge"), registry.quantity("gone")) == ("Modulation", "Merit (gone)")


def test_seen_is_what_a_detector_settles_on() -> None:
    """Every glance within two stations of the sweep's span, and the sharpest of all."""
    handed: list[tuple[Seen, Sequence[Seen]]] = []

    async def settle_on(self: Any, best: Seen, within: Sequence[Seen], lp_mm: float) -> float:
        handed.append((best, within))
        return 1e-3

    world, quiet = World(10.0), Quiet()
    data = asyncio.run(swept(made(type("Settling", (Level,), {"settle_on": settle_on}), world, quiet), world, quiet))
    ((best, within),) = handed
    assert data.u_frequency_rel == 1e-3
    assert abs(best.offset_um - 10.0) <= 0.5 * HALF_WIDTH_UM
    assert all(abs(one.offset_um - 10.0) <= 2.1 * data.hwhm_um for one in within)
    assert best in within
