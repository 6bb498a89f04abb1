"""A lens whose rear nobody has measured: a person is asked before the carriage comes nearer, also where it follows.

Where the carriage stands is asked of the world, as somebody beside the bench would see it.
"""

from __future__ import annotations

import asyncio
import re
import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.errors import BenchdError
from stack import CONFIGS, Stack
from technician import Technician
from tests.stack.conftest import PACE, SEED, quiet

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"
GIVEN: dict[str, Any] = {"lens": LENS, "adapters": [RING], "glass": [PANE], "distance_mm": 5000, "repeats": 1}
STANDS = {"lens": LENS, "adapters": [RING], "glass": [], "distance_mm": 5000, "ring": "infinity", "trim_um": 0}
STILL_UM = 10.0
LOOKS = """\
procedure: looks
title: A sweep that looks for the focus
needs: {roles: [carriage, target_light, detector]}
steps:
  - nominal: {}
  - light: {light: target_light, level: 0.4}
  - sweep: {}
finally:
  - light: {light: target_light, level: 0}
"""
HOMES = """\
procedure: homes
title: Homing and nothing else
needs: {roles: [carriage]}
steps:
  - home: {axes: [carriage]}
"""
FOLLOWS = f"""\
procedure: follows
title: A plate that the carriage follows
needs: {{roles: [carriage]}}
steps:
  - setup: {{glass: [{PANE}], follow: true}}
"""


@asynccontextmanager
async def laid_out(folder: Path) -> AsyncIterator[Stack]:
    """A bench whose record of a lens made for air says nothing of its rear, with some procedures of its owner's."""
    shutil.copytree(CONFIGS / "workshop", folder / "workshop")
    lens = folder / "workshop" / "lenses" / f"{LENS}.yaml"
    lines = lens.read_text().splitlines(keepends=True)
    # Without glass it stands as it was made to, so that nothing else is asked about.
    left = [line for line in lines if not line.startswith(("rear_protrusion_mm", "designed_for_glass"))]
    assert len(left) == len(lines) - 2
    lens.write_text("".join(left))
    procedures: Path = folder / "workshop" / "procedures"
    procedures.mkdir()
    (procedures / "looks.yaml").write_text(LOOKS)
    (procedures / "follows.yaml").write_text(FOLLOWS)
    (procedures / "homes.yaml").write_text(HOMES)
    async with Stack(seed=SEED, pace=PACE, folder=folder) as stack:
        async with stack.client("rail") as client:
            Technician(stack, client, quiet).fit([RING], [], LENS)
        stack.hand("set", "ring", "infinity")
        yield stack


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def stack(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Stack]:
    async with laid_out(tmp_path_factory.mktemp("rear")) as stack:
        yield stack


@pytest_asyncio.fixture(loop_scope="module")
async def client(stack: Stack) -> AsyncIterator[BenchClient]:
    async with stack.client("rail") as client:
        await client.command("take", beat=False)
        yield client
        await client.command("release", beat=False)


def place_um(stack: Stack) -> float:
    """Where the carriage truly stands."""
    return float(stack.ask_world({"do": "truth"})["truth"]["now"]["carriage_um"])


async def state_of(client: BenchClient, run: str, *states: str) -> dict[str, Any]:
    """The run as soon as it is in one of these states."""
    async with asyncio.timeout(120.0):
        async for state in client.follow(run):
            if state["state"] in states:
                return dict(state)
    raise AssertionError(f"{run} ended before it was {states}")


async def rear_question(client: BenchClient, run: str) -> dict[str, Any]:
    """The question about the rear that waits."""
    ask = (await state_of(client, run, "asking"))["ask"]
    assert (ask["name"], ask["kind"]) == ("rear_clear", "yes_no")
    return dict(ask)


async def stands_at_nominal(client: BenchClient) -> None:
    """Driven to nominal of the bare lens, a person having looked."""
    await client.command("setup", set={"lens": None, "adapters": [], "glass": []})
    await client.do("home", axes=["carriage"], only_if_unhomed=True)
    await client.command("setup", set=STANDS)
    run = await client.run("looks")
    await client.answer((await rear_question(client, run))["ask"], True)
    await state_of(client, run, "done")


@asynccontextmanager
async def watched(stack: Stack) -> AsyncIterator[list[float]]:
    """Where the carriage is from moment to moment."""
    seen: list[float] = []

    async def look() -> None:
        while True:
            seen.append(await asyncio.to_thread(place_um, stack))
            await asyncio.sleep(0.01)

    looking = asyncio.create_task(look())
    try:
        yield seen
    finally:
        looking.cancel()
        await asyncio.wait([looking])


async def test_a_run_paused_before_its_first_homing_goes_on_with_it(tmp_path: Path) -> None:
    async with laid_out(tmp_path) as stack, stack.client("rail") as client:
        await client.command("take", beat=False)
        await _paused_before_its_first_homing(stack, client)


async def _paused_before_its_first_homing(stack: Stack, client: BenchClient) -> None:
    await client.command("setup", set=STANDS)
    assert not (await client.kept("device/carriage"))["homed"]
    run = await client.run("homes")
    ask = await rear_question(client, run)
    await client.stop()
    assert (await state_of(client, run, "paused"))["state"] == "paused"
    place = place_um(stack)
    async with watched(stack) as seen:
        await client.answer(ask["ask"], True)
        await asyncio.sleep(0.5)
    assert max(abs(one - place) for one in seen) < STILL_UM
    await client.command("resume", run=run)
    assert (await state_of(client, run, "done", "failed"))["state"] == "done"
    assert (await client.kept("device/carriage"))["homed"]


async def test_homing_ends_where_a_small_step_is_allowed(client: BenchClient) -> None:
    await client.command("setup", set={"lens": None, "adapters": [], "glass": []})
    await client.do("home", axes=["carriage"])
    before = (await client.kept("device/carriage"))["carriage_um"]
    await client.do("move", by_um=100.0)
    assert (await client.kept("device/carriage"))["carriage_um"] - before == pytest.approx(100.0, abs=2.0)


async def test_a_toggled_plate_is_asked_about_as_the_dry_run_says_and_finishes(
    stack: Stack, client: BenchClient
) -> None:
    said: list[str] = []
    technician = Technician(stack, client, said.append)
    plan = await client.command("run", procedure="glass_toggle", inputs=GIVEN, dry=True)
    assert plan["problems"] == []
    state = await technician.run("glass_toggle", **GIVEN)
    assert state["state"] == "done"
    asked = [line.removeprefix("asked: ") for line in said if line.startswith("asked: ")]
    assert asked == plan["asks"]
    rear = [text for text in asked if LENS in text.rpartition(": is that meant? ")[2]]
    assert [PANE in text for text in rear] == [False, True, False], "of the set-up about to be, and of no other"
    assert (await technician.finding("glass_toggle", state["run"]))["lens"] == LENS


async def test_a_no_leaves_set_up_and_carriage_as_they_were(stack: Stack, client: BenchClient) -> None:
    await stands_at_nominal(client)
    before, place = await client.kept("setup"), place_um(stack)
    run = await client.run("follows")
    async with watched(stack) as seen:
        await client.answer((await rear_question(client, run))["ask"], False)
        assert (await state_of(client, run, "failed", "done"))["state"] == "failed"
        await asyncio.sleep(0.5)
    assert max(abs(one - place) for one in seen) < STILL_UM
    after = await client.kept("setup")
    assert (after["rev"], after["glass"], after["stale"]) == (before["rev"], [], False)
    await client.do("nominal")  # what was seen of the bare lens still counts


async def test_a_yes_given_in_a_pause_moves_nothing_until_resumed(stack: Stack, client: BenchClient) -> None:
    await stands_at_nominal(client)
    place = place_um(stack)
    run = await client.run("follows")
    ask = await rear_question(client, run)
    await client.command("pause", beat=False, run=run)
    async with watched(stack) as seen:
        await client.answer(ask["ask"], True)
        await asyncio.sleep(0.8)
    assert max(abs(one - place) for one in seen) < STILL_UM
    assert (await client.kept("procedure"))["state"] == "paused"
    await client.command("resume", run=run)
    await state_of(client, run, "done")
    assert place_um(stack) - place > 800.0, "2.5 mm of glass take the focus 858 um away"


async def test_a_yes_for_parts_that_were_never_put_in_is_no_yes_for_the_next_run(client: BenchClient) -> None:
    await stands_at_nominal(client)
    run = await client.run("follows")
    ask = await rear_question(client, run)
    await client.command("pause", beat=False, run=run)
    await client.answer(ask["ask"], True)
    await client.command("abort", beat=False, run=run)
    await state_of(client, run, "aborted")
    run = await client.run("follows")
    await client.answer((await rear_question(client, run))["ask"], False)
    await state_of(client, run, "failed")


async def test_another_place_of_the_ring_may_be_another_place_of_the_rear(client: BenchClient) -> None:
    await stands_at_nominal(client)
    await client.command("setup", set={"ring": "hard_stop"})
    with pytest.raises(BenchdError) as refused:
        await client.do("nominal")
    assert refused.value.code == "clearance"


async def test_a_search_goes_no_nearer_than_the_question_and_the_dry_run_said(
    stack: Stack, client: BenchClient
) -> None:
    """The focus is farther off than anybody asked to look: the search goes as far as it may, and gives up."""
    await stands_at_nominal(client)
    await client.do("move", offset_um=1000.0)
    await client.command("setup", set={"lens": None})
    await client.command("setup", set=STANDS | {"trim_um": 900.0})
    plan = await client.command("run", procedure="looks", dry=True)
    (sweep,) = [entry for entry in plan["entries"] if entry["verb"] == "sweep"]
    run = await client.run("looks")
    ask = await rear_question(client, run)
    assert [ask["text"]] == plan["asks"]
    named = re.search(r"may go down to (-?\d+) µm on its scale", ask["text"])
    assert named is not None
    async with watched(stack) as seen:
        await client.answer(ask["ask"], True)
        assert (await state_of(client, run, "failed", "done"))["state"] == "failed"
    assert min(seen) < sweep["to_um"] - 600.0, "or it has shown nothing"
    assert sweep["reach_um"][0] - STILL_UM < min(seen)
    assert float(named[1]) < min(seen)
    assert max(seen) < sweep["reach_um"][1] + STILL_UM
