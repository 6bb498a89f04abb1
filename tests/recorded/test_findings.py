"""A finding of each kind from made-up readings, whole: values, budget, verdict, advice, notes."""

from __future__ import annotations

import math
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pytest_asyncio

from benchd.bench.assembly import build
from benchd.bench.bench import Bench
from benchd.bench.notices import Notices
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep.sweep_data import SweepData, SweepPoint
from benchd.devices import Clock
from benchd.files.loading import load_bench
from benchd.questions.answer import answer
from benchd.questions.evidence import collect_evidence
from benchd.records.store import Store
from benchd.records.values import ReadingRow
from benchd.verbs.accept import accept
from tests.recorded.net import hold

CONFIGS = Path(__file__).parents[2] / "configs"
WALL: dict[str, Any] = {"distance_mm": 5000.0, "m": {"value": 0.01, "u": 0.0001}, "temperature_C": 21.5}
LENS: dict[str, Any] = {"lens": "L-0417", "adapters": ["ring-07"], "ring": "infinity"}
BENCHES: dict[str, dict[str, Any]] = {"workshop": WALL, "workshop-collimated": {"temperature_C": 21.5}}
HWHM_UM = 37.0
OF_NOW = ("at", "version")
"""What is of the day and the release, not of the finding."""


@pytest_asyncio.fixture(params=list(BENCHES))
async def bench(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Bench]:
    """A shipped bench, its devices never opened: an assessment asks none of them."""
    shutil.copytree(CONFIGS, tmp_path, dirs_exist_ok=True)
    loaded = load_bench(tmp_path / request.param / "bench.yaml")
    store = await Store.open("sqlite:///bench.db", tmp_path, Clock())
    bench = Bench(loaded, build(loaded), store, Notices(), Clock())
    yield bench
    await bench.close()
    await store.close()


def swept(seed: int, peak_um: float, glass: tuple[str, ...], at_um: float = 9000.0) -> SweepData:
    """Two orientations of a bell with noise, focus `peak_um` from nominal."""
    rng = np.random.default_rng(seed)
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25)
    u = 2e-3
    points = []
    for index, one in enumerate(z):
        v, h = (
            float(0.8 * math.exp(-math.log(2.0) * ((one - peak_um - beside) / HWHM_UM) ** 2) + rng.normal(0.0, u))
            for beside in (-2.0, 2.0)
        )
        count = 25 * seed + index
        points.append(SweepPoint(count, float(one), at_um + float(one), float(count), 0, {"v": (v, u), "h": (h, u)}))
    return SweepData(0, glass, "detector", "edge", 40.0, 2.0, 5e-4, HWHM_UM, points)


def read(carriage_um: float, *values: float) -> list[ReadingRow]:
    return [ReadingRow("r-0001", i, "", 0.0, None, carriage_um, "dial", "", v, "um") for i, v in enumerate(values)]


async def _made(
    bench: Bench, name: str, setup: dict[str, Any], *sweeps: SweepData, of: str | None = None, **named: Any
) -> dict[str, Any]:
    await bench.setup.change(setup)
    for sweep in sweeps:
        sweep.setup = bench.setup.document.rev
    run = await bench.store.add_run(name, text_sha="", inputs={}, setup=None, lens=None, job=None, user="rail")
    brought = RunRecord(run, name, "rail", list(sweeps), named)
    doc = await answer(bench.analysis, name, collect_evidence(bench, brought, "0"), of)
    doc["finding"] = await bench.store.add_finding(doc)
    return {key: value for key, value in doc.items() if key not in OF_NOW}


def _flanges(with_glass: dict[str, Any]) -> dict[str, tuple[dict[str, Any], tuple[SweepData, ...]]]:
    """By what is special about each: the set-up, and what was swept."""
    plate = ("pane-25",)
    return {
        "as it should be": (with_glass, (swept(1, 3.0, plate),)),
        "swept twice, too deep": (with_glass, (swept(2, 14.0, plate), swept(3, 14.3, plate))),
        "without its glass": (with_glass | {"glass": []}, (swept(4, -20.0, ()),)),
        "a free ring": (with_glass | {"ring": "free"}, (swept(5, 1.0, plate),)),
        "at a mark": (with_glass | {"ring": {"mark": 5}}, (swept(10, 1.0, plate),)),
    }


async def test_a_finding_of_each_kind(bench: Bench) -> None:
    collimated = bench.file.arrangement.kind == "collimated"
    with_glass = {**LENS, "glass": ["pane-25"], **BENCHES["workshop-collimated" if collimated else "workshop"]}
    found: dict[str, Any] = {}
    for name, (setup, sweeps) in _flanges(with_glass).items():
        found[f"flange, {name}, relative"] = await _made(bench, "flange", setup, *sweeps)
    plate = ("pane-25",)
    toggled = swept(6, 0.5, ()), swept(7, 8.0, plate, 9850.0), swept(8, 8.2, plate, 9850.0), swept(9, 0.6, ())
    found["glass_toggle"] = await _made(bench, "glass_toggle", with_glass | {"glass": []}, *toggled)
    off: dict[str, Any] = {"lens": None, "adapters": [], "glass": []}
    zero = {"on_ring": read(0.0, 0.1, 0.0, -0.2), "on_base": read(21000.0, 399.8, 400.2, 400.0)}
    ring = {"on_base": read(21000.0, 0.0, 0.2, 0.1), "on_adapter": read(3000.0, 1.0, 1.2, 0.9)}
    moved = read(20900.0, 0.0)
    for name, of, rows in (("bench_zero", "collar-45", zero), ("adapter_length", "ring-07", ring)):
        found[name] = await _made(bench, name, off, of=of, moved=moved, **rows)
        await accept(bench, found[name]["finding"], days=90, by="rail")
    for name, (setup, sweeps) in _flanges(with_glass).items():
        found[f"flange, {name}"] = await _made(bench, "flange", setup, *sweeps)
    hold(f"findings_{bench.file.arrangement.kind}", found)
