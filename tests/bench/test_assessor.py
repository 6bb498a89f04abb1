"""What the assessor gathers for a finding from bench file, records and sweep, none of it left behind on the way.

The bench is the shipped one with its real devices, never opened: an assessment asks none of them.
"""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.bench.assembly import build
from benchd.bench.assessor import Assessor
from benchd.bench.bench import Bench
from benchd.bench.notices import Notices
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep_data import SweepData, SweepPoint
from benchd.devices import Clock
from benchd.files.artefacts import Layer
from benchd.files.loading import LoadedBench, load_bench
from benchd.records.store import Store

COLLIMATED = Path(__file__).parents[2] / "configs" / "workshop-collimated" / "bench.yaml"
FITTED: dict[str, Any] = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "ring": "infinity"}
COVER = Layer(thickness_mm=0.7, u_mm=0.01, index=1.523, u_index=0.001, at_nm=546)
HWHM_UM = 37.0
U = 2e-4
Assess = Callable[[LoadedBench, SweepData], Any]


@pytest.fixture
async def assess(tmp_path: Path) -> AsyncIterator[Assess]:
    """The flange finding of one sweep on a bench, as it is published."""
    store = await Store.open("sqlite:///bench.db", tmp_path, Clock())
    benches = []

    async def made(loaded: LoadedBench, sweep: SweepData) -> dict[str, Any]:
        bench = Bench(loaded, build(loaded), store, Notices(), Clock())
        benches.append(bench)
        await bench.setup.change(FITTED)
        sweep.setup = bench.setup.document.rev
        run = await store.add_run("flange_check", text_sha="", inputs={}, setup=None, lens=None, job=None, user="rail")
        record = RunRecord(run, "flange_check", "rail", sweeps=[sweep])
        return await Assessor(bench, "0").assess("flange", record, {})

    yield made
    for bench in benches:
        await bench.analysis.close()
    await store.close()


def bell(z: np.ndarray) -> np.ndarray:
    return 0.8 * np.exp(-math.log(2.0) * (z / HWHM_UM) ** 2)


def swept(z: np.ndarray, value: np.ndarray, f_number: float = 2.0) -> SweepData:
    readings = [(float(one), U * math.sqrt(2.0)) for one in value]  # the mean of both orientations then has U
    points = [SweepPoint(i, float(z[i]), 9000.0 + float(z[i]), float(i), 0, v, v) for i, v in enumerate(readings)]
    return SweepData(0, ("pane-25",), "detector", "edge", 40.0, f_number, 5e-4, HWHM_UM, points)


def peak_of(z: np.ndarray, value: np.ndarray, u: np.ndarray) -> float:
    """The maximum of a weighted quintic over +-1.1 half-widths, by numpy's own least squares."""
    near = np.abs(z) <= 1.1 * HWHM_UM
    found = np.polynomial.Polynomial.fit(z[near], value[near], 5, w=1.0 / u[near])
    roots = found.deriv().roots()
    return float(min(roots[np.isreal(roots)].real, key=abs))


async def test_a_station_off_its_place_pulls_the_peak_as_little_as_positions_are_noisy(assess: Assess) -> None:
    """With the noise of positions withheld from the fit, stations on the flanks count as if they stood exactly."""
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25)
    stood = z.copy()
    stood[8] += 1.0  # on the flank, half a half-width out
    value = bell(stood)
    loaded = load_bench(COLLIMATED)
    # The scale's subdivision of .15 um as arcsine and its steps of .05 um as a rectangle (JCGM 100, 4.3.7).
    noise = math.hypot(0.15 / math.sqrt(2.0), 0.05 / math.sqrt(12.0))
    slope = np.abs(np.gradient(bell(z), z))
    told = peak_of(z, value, np.hypot(U, noise * slope))
    untold = peak_of(z, value, np.full(z.size, U))
    assert abs(told - untold) > 0.1
    finding = await assess(loaded, swept(z, value))
    assert finding["values"]["focus_error"]["value"] == pytest.approx(told, abs=0.02)


async def test_the_cover_over_the_target_counts_among_the_glass(assess: Assess) -> None:
    """Behind the plate that the lens was made for, the cover is what is left: half of third order, by hand."""
    loaded = load_bench(COLLIMATED)
    target = loaded.file.target.model_copy(update={"cover": (COVER,)})
    covered = LoadedBench(loaded.file.model_copy(update={"target": target}), loaded.source, loaded.records)
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25) * 4.0
    sweep = swept(z, bell(z / 4.0), f_number=8.0)
    residual = (await assess(covered, sweep))["values"]["glass_residual"]
    n = COVER.index
    assert residual["value"] == pytest.approx(700.0 * (n * n - 1.0) / (16.0 * n**3 * 8.0**2), rel=0.01)
