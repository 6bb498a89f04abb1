"""A light dimmed by pulses: pictures are exposed over whole periods of them, and stay equally bright."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any, TypeVar, TypeVarTuple, cast

import numpy as np
import pytest

from benchd.detectors.edge.detector import EdgeDetector
from benchd.detectors.edge.pictures import exposure_in
from benchd.detectors.values import Gear
from benchd.devices import Clock
from benchd.files.bench_file import Target
from benchd.imaging.level import Exposure as Judged
from benchd.imaging.level import whole_periods
from benchd_drivers.gcode_light import GcodeLight
from benchd_drivers.http_camera import HttpCamera
from benchd_drivers.link.port import SerialLink

if TYPE_CHECKING:
    from tests.drivers.conftest import SimulatedBench

Args = TypeVarTuple("Args")
R = TypeVar("R")


class Inline:
    """The analysis without a process of its own."""

    async def run(self, work: Callable[[*Args], R], *args: *Args) -> R:
        return await asyncio.to_thread(work, *args)


@asynccontextmanager
async def lit(bench: SimulatedBench, level: float) -> AsyncIterator[tuple[GcodeLight, HttpCamera]]:
    """The light at `level`, the camera looking on through the lens that the world begins with."""
    await bench.unlock()
    link = SerialLink.create("board", SerialLink.Config(port=str(bench.folder / "board")))
    light = GcodeLight.create("lamp", GcodeLight.Config(pwm_hz=1000.0), link)
    url = bench.ports["camera"].removesuffix("/frame.png")
    settings: dict[str, Any] = {
        "url": f"{url}/frame.png",
        "settings_url": f"{url}/settings?exposure_ms={{exposure_ms}}&gain={{gain}}",
    }
    camera = HttpCamera.create("view", HttpCamera.Config(**settings), None)
    try:
        await link.open()
        await light.open()
        await camera.open()
        await light.set_level(level)
        yield light, camera
    finally:
        await camera.close()
        await light.close()
        await link.close()


async def scatter(camera: HttpCamera, exposure_ms: float) -> float:
    """Relative standard deviation of the bright field from picture to picture."""
    await camera.configure(exposure_ms, 1.0)
    levels = []
    for _ in range(12):
        judged = exposure_in((await camera.grab()).data)
        assert isinstance(judged, Judged)
        levels.append(judged.background)
    return float(np.std(levels) / np.mean(levels))


@pytest.mark.stack
async def test_a_dimmed_light_is_exposed_over_whole_periods(bench: SimulatedBench) -> None:
    async with lit(bench, 0.35) as (light, camera):
        target = Target(id="cross-2", pitch_mm=1.0, u_pitch_mm=0.0005)
        detector = EdgeDetector(Gear(camera, "detector", target, light, cast(Any, Inline()), Clock()))
        taken = await detector.expose()
        assert taken.exposure_ms == pytest.approx(round(taken.exposure_ms), abs=1e-6), "periods of a millisecond"
        whole, half = await scatter(camera, taken.exposure_ms), await scatter(camera, taken.exposure_ms + 0.5)
    # Half a period more holds a pulse or none of it: up to 0.35 of a period's light in the number of periods.
    assert half > 0.1 * 0.35 / taken.exposure_ms
    assert whole < 0.3 * half


@pytest.mark.parametrize(
    ("asked", "pulses", "low", "high", "given"),
    [
        (14.4, 1000.0, 1.0, 400.0, 14.0),
        (0.2, 1000.0, 0.1, 400.0, 1.0),  # one period at least
        (11.2, 120.0, 1.0, 400.0, 1000.0 / 120.0),
        (399.9, 1000.0, 1.0, 399.9, 399.0),  # within the camera's range
        (0.5, 50.0, 0.1, 10.0, 0.5),  # no period fits
        (14.4, None, 1.0, 400.0, 14.4),
    ],
)
def test_whole_periods(asked: float, pulses: float | None, low: float, high: float, given: float) -> None:
    assert whole_periods(asked, pulses, low, high) == pytest.approx(given)
