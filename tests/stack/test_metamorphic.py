"""What must change a finding by a known amount, and what must not change it: through MQTT and the hand alone.

'Leaves e' means within the expanded uncertainty of the difference: what both findings share (the base, the adapter,
the plate, the wall) cannot make them differ, so only what was drawn anew between them counts. The client never learns
what the world hides.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from math import sqrt
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from stack import Stack
from tests.stack.conftest import PACE, SEED, person
from tests.stack.differences import difference

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient
    from technician import Technician

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]

LENS, TWIN, RING, PANE = "L-0417", "L-0418", ["ring-07"], ["pane-25"]
WALL_MM = 5000.0
U_SHIM_UM = 0.3

Finding = dict[str, Any]


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def at_bench(bench: Stack) -> AsyncIterator[tuple[BenchClient, Technician]]:
    async with person(bench) as both:
        yield both


@pytest_asyncio.fixture(loop_scope="module")
async def technician(at_bench: tuple[BenchClient, Technician], bench: Stack) -> Technician:
    bench.hand("set", "wall_mm", WALL_MM)
    return at_bench[1]


@pytest_asyncio.fixture(loop_scope="module")
async def client(at_bench: tuple[BenchClient, Technician]) -> BenchClient:
    return at_bench[0]


async def test_shim_lowers_the_focus_error_by_its_thickness(bench: Stack, technician: Technician) -> None:
    without = await technician.check(LENS, RING, PANE)
    bench.hand("fit", "shim", 50)
    thicker = await technician.check(LENS, RING, PANE)
    bench.hand("remove", "shim", 50)
    # The lens was taken off its adapter and seated again: one of the two joints is another.
    shift = difference(without, thicker, {"joints": sqrt(1 / 2)}, own=[U_SHIM_UM])
    assert shift.is_about(-50.0), shift


async def test_plate_in_for_a_lens_made_for_it_leaves_the_focus_error(technician: Technician) -> None:
    """The twins are the same lens but for the plate they were made for."""
    in_air = await technician.check(TWIN, RING, [])
    behind_plate = await technician.check(LENS, RING, PANE)
    assert in_air["measurand"]["glass"] == []
    assert behind_plate["measurand"]["glass"] == PANE
    for finding in (in_air, behind_plate):
        assert finding["values"]["glass_residual"]["value"] == 0.0
    change = difference(in_air, behind_plate, {"joints": 1.0, "glass": 1.0})
    assert change.is_about(0.0), change


async def test_another_wall_leaves_the_focus_error(bench: Stack, technician: Technician) -> None:
    found = []
    for wall_mm in (4000.0, 6000.0):
        bench.hand("set", "wall_mm", wall_mm)
        found.append(await technician.check(LENS, RING, PANE))
    taken_off = [next(note for note in finding["notes"] if note.startswith("Ring at infinity")) for finding in found]
    assert "wall at 4.0 m: 6" in taken_off[0]
    assert "wall at 6.0 m: 4" in taken_off[1]
    # The gap between the principal planes is the same in both and cancels in part: all of both lines is the most.
    change = difference(found[0], found[1], {"conjugate": 1.0})
    assert change.is_about(0.0), change


async def test_adapters_in_either_order_leave_the_focus_error(technician: Technician) -> None:
    found = [
        await technician.check(LENS, adapters, PANE)
        for adapters in (["gap-03", "gap-04", "ring-07"], ["gap-04", "gap-03", "ring-07"])
    ]
    assert all(line["u"] == 1.5 for line in found[0]["budget"] if line["term"].startswith("adapter gap"))
    change = difference(found[0], found[1], {"joints": 1.0})
    assert change.is_about(0.0), change


async def test_trim_leaves_the_focus_error_and_is_shown(technician: Technician, client: BenchClient) -> None:
    plain = await technician.check(LENS, RING, PANE)
    before = await client.kept("setup")
    await client.command("light", beat=False, level=0.4)
    await client.do("setup", set={"trim_um": 5.0}, follow=True)
    await client.do("nominal")
    setup = await client.kept("setup")
    assert setup["trim_um"] == 5.0
    assert [term["value_um"] for term in setup["chain"] if term["term"] == "trim"] == [5.0]
    assert setup["chain"][-1]["value_um"] - before["chain"][-1]["value_um"] == pytest.approx(5.0, abs=0.01)
    assert any("trim of +5 um" in note for note in setup["notes"])
    run = (await client.do("sweep", merit="edge", repeats=3))["run"]
    trimmed = await technician.finding("flange", run)
    change = difference(plain, trimmed, {})
    assert change.is_about(0.0), change
    assert any("trim of +5 um" in note for note in trimmed["notes"])
    await client.command("setup", set={"trim_um": None})


async def test_infinity_at_the_wall_agrees_with_collimated_light(
    technician: Technician, records: Mapping[str, Path]
) -> None:
    """The same lens on two benches: all but the lens is another, and the wall's conjugate term is off or right."""
    at_wall = await technician.check(LENS, RING, PANE)
    config = "workshop-collimated"
    async with (
        Stack(world=config, config=config, seed=SEED, pace=PACE, record=records[config]) as other,
        person(other) as (_, second),
    ):
        collimated = await second.check(LENS, RING, PANE, wall=False)
    assert collimated["measurand"]["arrangement"] == "collimated"
    assert "conjugate" not in [line["term"] for line in collimated["budget"]]
    everything = ["conjugate", "joints", "base", "adapter", "thermal", "position", "frequency"]
    # The plate is the same one, of the same record.
    change = difference(at_wall, collimated, dict.fromkeys(everything, 1.0))
    assert change.is_about(0.0), change
