"""A photodiode behind a slit in sweeps at constant speed, on a whole bench, held against what its world hides."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from finding_bench import FindingBench, ready
from technician import RunEnded
from tests.virtual.benches import VirtualBench, person
from tests.virtual.test_continuous import passing, state_is, sweep_u
from tests.virtual.test_photodiode import ADAPTERS, GLASS, LENS, NAME, by_returns

SEED = 101


@asynccontextmanager
async def no_pass(bench: VirtualBench) -> AsyncIterator[None]:
    """Inside, the carriage never goes as in a pass, and rests at the end: a sweep only looked for the peak."""
    watching = asyncio.create_task(passing(bench, None))
    try:
        yield
        await bench.rests(0.3)
        assert not watching.done(), "it began a pass"
    finally:
        watching.cancel()


on_the_module_s_loop = pytest.mark.asyncio(loop_scope="module")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    """At its true pace: how long a reading takes beside the motion is the point."""
    async with VirtualBench(tmp_path_factory.mktemp("passes"), world=NAME, config=NAME, seed=SEED) as bench:
        yield bench


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def at(bench: VirtualBench) -> AsyncIterator[FindingBench]:
    """Calibrated, homed, lit, a lens in the set-up and at nominal."""
    async with person(bench) as (client, technician):
        await technician.calibrate(ADAPTERS)
        at = await ready(bench, client, technician)
        technician.fit(ADAPTERS, GLASS, LENS)
        await client.command("setup", set={"lens": LENS, "adapters": ADAPTERS, "glass": GLASS, "ring": "infinity"})
        yield at


@pytest_asyncio.fixture(loop_scope="module")
async def client(at: FindingBench) -> AsyncIterator[BenchClient]:
    """The one in control."""
    await at.client.command("take", beat=False, force=True)
    await at.client.do("home", axes=["carriage"], only_if_unhomed=True)
    await at.client.do("nominal")
    yield at.client
    left = await at.client.kept("procedure")
    if left["state"] in ("paused", "running"):
        await at.client.command("abort", run=left["run"])


@on_the_module_s_loop
async def test_both_ways_find_what_standing_still_finds_and_the_world_hides(
    bench: VirtualBench, at: FindingBench, client: BenchClient
) -> None:
    """The amplifier is late by its time constant of 4 ms, which no file states."""
    stepped, passed = [await at.sweep(mode=mode, repeats=1) for mode in ("stepped", "continuous")]
    error = passed["values"]["focus_error"]
    assert abs(error["value"] - bench.truth()["slit_focus_error_um"]) <= 2.0 * error["U"]
    # Of two equally good ones the difference is below 3.5 times its u but for once in 2,000.
    apart = error["value"] - stepped["values"]["focus_error"]["value"]
    assert abs(apart) <= 3.5 * (sweep_u(stepped) ** 2 + sweep_u(passed) ** 2) ** 0.5, apart
    lines = {line["term"]: line["u"] for line in passed["budgets"]["focus_error"]}
    assert {"sweep", "clocks", "motion blur"} <= set(lines)
    assert 0.0 < lines["motion blur"] < sweep_u(passed)
    note = next(note for note in passed["notes"] if "constant" in note)
    late_ms, u_ms = (float(part.split(" ms")[0]) for part in note.split("are stamped ")[1].split(" late (u ")[:2])
    assert abs(late_ms - 4.0) <= 0.05 + 3.5 * (u_ms + 0.05), note
    assert any("lamp's drift by its reference" in note for note in passed["notes"])


@on_the_module_s_loop
async def test_a_stop_works_in_a_pass_and_a_pause_has_it_taken_again(
    bench: VirtualBench, at: FindingBench, client: BenchClient
) -> None:
    run = (await client.command("sweep", mode="continuous", repeats=3))["run"]
    await passing(bench)
    await client.stop()
    await asyncio.sleep(0.3)  # it brakes and rings
    await bench.rests(0.3)
    assert (await state_is(client, "paused", "aborted", "failed"))["run"] == run
    assert (await client.kept("device/carriage"))["homed"] is True
    await client.command("abort", run=run)
    await state_is(client, "aborted")
    run = (await client.command("sweep", mode="continuous", repeats=1))["run"]
    await passing(bench)
    await client.command("pause", run=run)
    assert (await state_is(client, "paused"))["run"] == run
    stood = await bench.rests(2.0)
    await client.command("resume", run=run)
    assert (await state_is(client, "done", "failed", "aborted"))["state"] == "done"
    assert bench.place_um() != stood
    again = await at.technician.finding("flange", run)
    error = again["values"]["focus_error"]
    assert abs(error["value"] - bench.truth()["slit_focus_error_um"]) <= 2.0 * error["U"]


@on_the_module_s_loop
@pytest.mark.parametrize(
    ("order", "why"), [({"step_um": 120.0}, "is too fast here"), ({"span_um": 40_000.0}, "limit|A pass would take")]
)
async def test_what_does_not_fit_is_refused_before_a_pass(
    bench: VirtualBench, at: FindingBench, client: BenchClient, order: dict[str, float], why: str
) -> None:
    async with no_pass(bench):
        with pytest.raises((RunEnded, BenchdError), match=why):
            await at.sweep(mode="continuous", repeats=1, **order)


def without_a_scale(doc: Any) -> None:
    del doc["roles"]["position"]


@pytest.mark.parametrize(
    ("change", "why"), [(by_returns, "nothing tells the lamp's drift"), (without_a_scale, "needs a scale")]
)
async def test_a_bench_that_cannot_refuses_and_says_why(tmp_path: Path, change: Any, why: str) -> None:
    async with VirtualBench(tmp_path, world=NAME, config=NAME, change=change) as bench, bench.client() as client:
        await client.command("take", beat=False)
        with pytest.raises(BenchdError, match=why):
            await client.command("sweep", mode="continuous")


async def test_a_meter_that_answers_too_slowly_is_refused_before_a_pass(tmp_path: Path) -> None:
    """Six readings in ten seconds; the look for the peak is behind by then."""

    def slow(doc: Any) -> None:
        doc["detectors"]["meter"]["integration_ms"] = 1500.0

    world = Path("simulators/benchd_simulators/worlds") / f"{NAME}.yaml"
    text = world.read_text(encoding="utf-8")
    assert "integration_s: 0.02" in text
    (tmp_path / "slow.yaml").write_text(text.replace("integration_s: 0.02", "integration_s: 1.5"), encoding="utf-8")
    made = VirtualBench(tmp_path / "bench", world=str(tmp_path / "slow.yaml"), config=NAME, change=slow)
    async with made as bench, person(bench) as (client, technician):
        at = await ready(bench, client, technician)
        technician.fit(ADAPTERS, GLASS, LENS)
        await client.command("setup", set={"lens": LENS, "adapters": ADAPTERS, "glass": GLASS, "ring": "infinity"})
        async with no_pass(bench):
            with pytest.raises(RunEnded, match="come too slowly for a continuous sweep"):
                await at.sweep(mode="continuous", repeats=1)


async def test_a_plate_is_refused_before_anything_moves(tmp_path: Path) -> None:
    """The question goes by the width of a modulation's curve: it was refused once four sweeps had been taken."""
    async with VirtualBench(tmp_path, world=NAME, config=NAME) as bench, bench.client() as client:
        await client.command("take", beat=False)
        stood = bench.place_um()
        with pytest.raises(BenchdError, match="goes by the width of a modulation's curve, and merit meter has none"):
            await client.run("glass_toggle", {"lens": LENS, "adapters": ADAPTERS, "glass": GLASS})
        assert bench.place_um() == stood
