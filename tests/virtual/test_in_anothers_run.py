"""What a second person does while a run is under way: light, camera and set-up are the holder's, and whatever changed
in a sweep all the same is said in the finding, or in what ended it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.errors import Refused
from technician import Technician
from tests.virtual.benches import PACE, VirtualBench, quiet
from tests.virtual.ends.camera_end import MemorySession

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

pytestmark = pytest.mark.asyncio(loop_scope="module")

STANDS = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "distance_mm": 5000, "ring": "infinity"}
PROCEDURE = """\
procedure: as_lit
title: A sweep in whatever light there is
needs: {roles: [carriage, target_light, detector]}
steps:
  - nominal: {}
  - sweep: {repeats: 3}
  - assess: {name: flange}
"""


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[VirtualBench]:
    files = {"procedures/as_lit.yaml": PROCEDURE}
    async with VirtualBench(tmp_path_factory.mktemp("lamps"), files=files, pace=PACE) as bench:
        yield bench


@pytest_asyncio.fixture(loop_scope="module")
async def rail(bench: VirtualBench) -> AsyncIterator[BenchClient]:
    """Who holds control of a lit bench with a lens, homed."""
    async with bench.client("rail") as rail:
        await rail.command("take", beat=False, force=True)
        Technician(bench, rail, quiet).fit(STANDS["adapters"], STANDS["glass"], STANDS["lens"])  # type: ignore[arg-type]
        await rail.command("setup", set={"lens": None, "adapters": [], "glass": []})
        await rail.do("home", axes=["carriage"], only_if_unhomed=True)
        await rail.command("setup", set=STANDS)
        await rail.command("light", light="target_light", level=0.4)
        yield rail
        state = await rail.kept("procedure")
        if state["state"] == "running":  # of a test that failed: no other is to stumble over it
            with contextlib.suppress(Refused):  # ending by itself
                await rail.command("abort", beat=False, run=state["run"])
            await ended(rail, state["run"])
        await rail.command("release", beat=False)


async def in_its_sweep(rail: BenchClient) -> str:
    """A run whose sweep has brought its first reading."""
    readings = rail.watch("reading")
    run = await rail.run("as_lit")
    async with asyncio.timeout(120):
        await anext(doc async for _, doc in readings if doc["run"] == run)
    return run


async def ended(client: BenchClient, run: str) -> str:
    async with asyncio.timeout(60):
        *_, last = [state async for state in client.follow(run)]
    return str(last["state"])


async def notes_of(rail: BenchClient, run: str) -> str:
    async with asyncio.timeout(120):
        return str(await anext(doc["notes"] async for _, doc in rail.watch("finding/flange") if doc["run"] == run))


async def test_a_second_person_cannot_light_anothers_run(bench: VirtualBench, rail: BenchClient) -> None:
    """It needed no control: the run failed with 'pixels at full scale', or passed with a noisier curve."""
    run = await in_its_sweep(rail)
    async with bench.client("wall") as wall:
        for args in ({"level": 1.0}, {"on": False}, {"stops_by": 1.0}, {"level": 0.4, "for_s": 1.0}):
            with pytest.raises(Refused, match="A run of rail is under way: its light, camera and set-up are rail's"):
                await wall.command("light", beat=False, **args)
        with pytest.raises(Refused) as refused:
            await wall.command("light", beat=False, level=1.0)
        assert (refused.value.code, refused.value.data["holder"]) == ("not_holder", "rail")
        assert await ended(rail, run) == "done"
        notes = await notes_of(rail, run)
        assert "light was changed" not in notes
        assert "brightness changed" not in notes
        await wall.command("light", beat=False, level=0.4)  # nothing runs any more


async def test_a_light_changed_within_a_sweep_stands_in_the_finding_with_who_did_it(rail: BenchClient) -> None:
    run = await in_its_sweep(rail)
    await rail.command("light", light="target_light", level=0.35)
    assert await ended(rail, run) == "done"
    assert "the target's light was changed from 0.4 to 0.35, by rail." in await notes_of(rail, run)


async def test_a_sweep_that_ends_for_want_of_light_says_who_put_it_out(rail: BenchClient) -> None:
    events: Any = rail.events()
    run = await in_its_sweep(rail)
    await rail.command("light", light="target_light", on=False)
    assert await ended(rail, run) == "failed"
    async with asyncio.timeout(120):
        event = await anext(doc async for _, doc in events if doc["severity"] == "error")
    assert "the target's light was changed from 0.4 to 0, by rail." in event["advice"]


async def test_pictures_that_were_lost_stand_in_the_finding(bench: VirtualBench, rail: BenchClient) -> None:
    run = await in_its_sweep(rail)
    bench.ask_world({"do": "fault", "who": "camera", "what": "garbage", "args": {"n": 2}})
    assert await ended(rail, run) == "done"
    assert re.search(r"2 of \d+ points of a sweep could not be measured; of the first: ", await notes_of(rail, run))


async def test_an_exposure_changed_behind_the_benchs_back_stands_in_the_finding(
    bench: VirtualBench, rail: BenchClient
) -> None:
    """Somebody opens the camera's own page; neither lamp nor bench knows of it, and the pictures show it."""
    run = await in_its_sweep(rail)
    page = MemorySession("page", f"http://{bench.rig.camera.where}", 10.0)
    before = await settings(page)
    await settings(page, f"?exposure_ms={before['exposure_ms'] / 2}&gain={before['gain']}")
    assert await ended(rail, run) == "done"
    notes = await notes_of(rail, run)
    assert "the brightness changed by a factor of 2" in notes, notes
    assert "light was changed" not in notes


async def settings(page: MemorySession, query: str = "") -> dict[str, float]:
    """What the camera's own page says."""
    told: dict[str, float] = json.loads((await page.get(f"/settings{query}", lambda _: 10_000)).body)
    return told
