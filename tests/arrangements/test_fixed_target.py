"""A bench whose target stands fixed: absolute zero without a carriage in it, what cannot be asked, what is in reach."""

from __future__ import annotations

import math
import shutil
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.bench.assembly import build
from benchd.bench.bench import Bench
from benchd.bench.notices import Notices
from benchd.bench.run_record import RunRecord
from benchd.devices import Clock
from benchd.errors import Refused
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems
from benchd.questions.answer import answer
from benchd.questions.evidence import collect_evidence
from benchd.records.store import Store
from benchd.records.values import ReadingRow
from benchd.verbs.accept import accept
from benchd.verbs.move import Move, MoveArgs
from benchd.verbs.predicted_bench import PredictedBench
from benchd.verbs.setup import Setup, SetupArgs
from benchd.verbs.view_of_bench import view_bench

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
RING_UM, COVER_UM = 31540.4, 700.0


def spoilt(folder: Path, *changes: tuple[str, str]) -> Path:
    """The shipped bench file with changes of its text."""
    shutil.copytree(CONFIGS, folder, dirs_exist_ok=True)
    path = folder / "workshop-reticle" / "bench.yaml"
    text = path.read_text(encoding="utf-8")
    for before, after in changes:
        assert text.count(before) == 1, before
        text = text.replace(before, after)
    path.write_text(text, encoding="utf-8")
    return path


@pytest_asyncio.fixture
async def bench(tmp_path: Path) -> AsyncIterator[Bench]:
    """The shipped bench, its devices never opened."""
    loaded = load_bench(spoilt(tmp_path))
    store = await Store.open("sqlite:///bench.db", tmp_path, Clock())
    bench = Bench(loaded, build(loaded), store, Notices(), Clock())
    yield bench
    await bench.close()
    await store.close()


def read(carriage_um: float, *values: float) -> list[ReadingRow]:
    return [ReadingRow("r-0001", i, "", 0.0, None, carriage_um, "dial", "", v, "um") for i, v in enumerate(values)]


async def found(bench: Bench, name: str, of: str | None, **named: Any) -> dict[str, Any]:
    run = await bench.store.add_run(name, text_sha="", inputs={}, setup=None, lens=None, job=None, user="rail")
    brought = RunRecord(run, name, "rail", [], named)
    return await answer(bench.analysis, name, collect_evidence(bench, brought, "0"), of)


async def test_absolute_zero_is_ring_and_gauge_wherever_the_carriage_stands(bench: Bench) -> None:
    """By hand: the ring, what the gauge reads more on the base, and the cover that its tip rests on."""
    await bench.setup.change({"temperature_C": 20.0})
    values = []
    for carriage_um in (0.0, 25_000.0):
        doc = await found(
            bench, "fixed_zero", "collar-32",
            on_ring=read(carriage_um, 1.0, 1.2, 0.8, 1.0, 1.0), on_base=read(carriage_um, 5.0, 5.2, 4.8, 5.0, 5.0),
        )  # fmt: skip
        values.append(doc["values"]["length"]["value"])
        assert set(doc["values"]) == {"length"}
        assert "carriage_um" not in doc["calibrates"][0]
        assert not {line["term"] for line in doc["budgets"]["length"]} & {"subdivision", "scale", "abbe"}
    assert values == [pytest.approx(RING_UM + 4.0 + COVER_UM)] * 2
    doc["finding"] = await bench.store.add_finding(doc)
    await accept(bench, doc["finding"], days=10, by="rail")
    await bench.setup.change({"lens": "L-0418", "adapters": ["ring-07"], "ring": "infinity"})
    chain = bench.setup.chain
    assert chain.absolute
    assert chain.places.depth_um(0.0) == pytest.approx(RING_UM + 4.0 + COVER_UM + 18003.2, abs=1.0)
    # Its cover's thickness, 1.8 um, counts by what of it moves no image: 1/n of that.
    lines = {line.term: line.u_um for line in chain.budget}
    assert lines["base"] < 1.0
    cover_only = math.hypot(1.8 / 1.523, 700.0 * 0.001 / 1.523**2)
    assert lines["target_cover"] == pytest.approx(cover_only, rel=0.01)


@pytest.mark.parametrize(("name", "of"), [("bench_zero", "collar-45"), ("adapter_length", "ring-07")])
async def test_what_needs_a_target_on_the_carriage_is_refused(bench: Bench, name: str, of: str) -> None:
    with pytest.raises(Refused, match=f"the target stands fixed, and no carriage moves it; {name} cannot be asked"):
        await found(bench, name, of)


async def test_no_depth_is_driven_to(bench: Bench) -> None:
    await bench.setup.change({"lens": "L-0418", "adapters": ["ring-07"], "ring": "infinity"})
    ahead = PredictedBench(await view_bench(bench, with_place=False))
    entry = Move().foresee(MoveArgs(axis="carriage", depth_um=50_000.0), ahead)
    assert entry.problem is not None
    assert "the target stands fixed" in entry.problem.text


async def test_a_lens_that_would_touch_the_sensor_is_refused_before_anything_is_homed(tmp_path: Path) -> None:
    """Where the target rides on a carriage that is nowhere yet nobody can say so; here it stands where it stands."""
    loaded = load_bench(spoilt(tmp_path, ("clearance_um: 2000 ", "clearance_um: 45000 ")))
    store = await Store.open("sqlite:///bench.db", tmp_path, Clock())
    bench = Bench(loaded, build(loaded), store, Notices(), Clock())
    ahead = PredictedBench(await view_bench(bench, with_place=False))
    stated = {"lens": "L-0418", "adapters": ["ring-07"], "ring": "infinity"}
    entry = Setup().foresee(SetupArgs.model_validate({"set": stated}), ahead)
    assert entry.problem is not None
    assert entry.problem.code == "clearance"
    await bench.close()
    await store.close()


@pytest.mark.parametrize(
    ("before", "after", "key"),
    [
        ("length_um: 32236,", "length_um: 32736,", "base.given.length_um"),
        ("parallel_at_um: 15000", "parallel_at_um: 45000", "arrangement.parallel_at_um"),
        ("before_lens_mm: 100\n", "before_lens_mm: 9000\n", "arrangement.before_lens_mm"),
    ],
)
async def test_what_does_not_go_together_is_told_at_its_key(tmp_path: Path, before: str, after: str, key: str) -> None:
    with pytest.raises(FileProblems) as caught:
        build(load_bench(spoilt(tmp_path, (before, after))))
    assert key in [problem.key for problem in caught.value.problems]


async def test_a_camera_has_to_know_its_own_scale(tmp_path: Path) -> None:
    """How large the reticle is in a picture goes with the lens: one of 25 mm makes a pitch half of what it was."""
    bare = ("    pixel_um: 4.0 ", "    # "), ("    u_pixel_um: 0.03 ", "    # ")
    with pytest.raises(FileProblems) as caught:
        build(load_bench(spoilt(tmp_path, *bare)))
    assert [problem.key for problem in caught.value.problems] == ["devices.view.pixel_um"]


async def test_a_sensor_that_is_built_for_a_plate_is_in_reach_with_it(tmp_path: Path) -> None:
    """pane-25 moves the image by 858 um (t (1 - 1/n)), far beyond what the reticle reaches without it."""
    assert build(load_bench(spoilt(tmp_path, ("length_um: 32236,", "length_um: 33094,"))))
