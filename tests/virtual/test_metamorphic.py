"""What must change a finding by a known amount, and what must not change it: through MQTT and the hand alone.

'Leaves e' means within the expanded uncertainty of the difference: what both findings share (the base, the adapter,
the plate, the wall) cannot make them differ, so only what was drawn anew between them counts. The client never learns
what the world hides.
"""

from __future__ import annotations

import asyncio
from math import sqrt
from pathlib import Path

import pytest

from alike_pairs import shim, wall
from differences import Difference, difference
from finding_bench import LENS, PANE, RING, TWIN, FindingBench, ready
from stack import CONFIGS
from tests.differences import agrees
from tests.virtual.benches import PACE, VirtualBench, person

pytestmark = pytest.mark.asyncio(loop_scope="module")

U_SHIM_UM = 0.3
"""A shim's thickness, standard uncertainty, as its maker has it."""


async def test_shim_lowers_the_focus_error_by_its_thickness(at_wall: FindingBench) -> None:
    async def shift() -> Difference:
        return (await shim(at_wall)).off

    await agrees(shift, 0.0)


async def test_shims_of_a_quarter_of_a_millimetre_lower_it_by_as_much(at_wall: FindingBench) -> None:
    """So far out the merit has side lobes about nominal: the search must not settle on one."""

    async def shift() -> Difference:
        without = await at_wall.find_at_wall(LENS, RING, PANE)
        shims = (100, 100, 50)
        for size in shims:
            at_wall.bench.hand("fit", "shim", size)
        thicker = await at_wall.sweep()
        for size in shims:
            at_wall.bench.hand("remove", "shim", size)
        # The lens was seated anew with each shim, but stands on one joint that is another in the end.
        return difference(
            without, thicker, {"joints": sqrt(1 / 2), "stand-off": sqrt(1 / 2)}, own=[U_SHIM_UM] * len(shims)
        )

    await agrees(shift, -250.0)


async def test_plate_in_for_a_lens_made_for_it_leaves_the_focus_error(at_wall: FindingBench) -> None:
    """The twins are the same lens but for the plate they were made for."""

    async def change() -> Difference:
        in_air = await at_wall.find_at_wall(TWIN, RING, [])
        behind_plate = await at_wall.find_at_wall(LENS, RING, PANE)
        assert in_air["measurand"]["glass"] == []
        assert behind_plate["measurand"]["glass"] == list(PANE)
        for finding in (in_air, behind_plate):
            assert finding["values"]["glass_residual"]["value"] == 0.0
        return difference(in_air, behind_plate, {"joints": 1.0, "stand-off": 1.0, "glass": 1.0})

    await agrees(change, 0.0)


async def test_another_wall_leaves_the_focus_error(at_wall: FindingBench) -> None:
    async def change() -> Difference:
        compared = await wall(at_wall)
        taken_off = [
            next(note for note in finding["notes"] if note.startswith("Ring at infinity"))
            for finding in compared.findings
        ]
        # f^2/T to first order: 49.6^2/4000 is 0.62 mm, 49.6^2/6000 is 0.41 mm
        assert "wall at 4.0 m: 6" in taken_off[0]
        assert "wall at 6.0 m: 4" in taken_off[1]
        return compared.off

    await agrees(change, 0.0)


async def test_an_m_that_the_tape_contradicts_costs_verdict_and_shims_and_says_so(at_wall: FindingBench) -> None:
    honest = await at_wall.find_at_wall(LENS, RING, PANE)
    tape = at_wall.technician.measure("tape")
    misread = {"value": tape["m"]["value"] * 1.09, "u": tape["m"]["u"]}
    finding = await at_wall.find(LENS, RING, PANE, distance_mm=tape["distance_mm"], m=misread)
    assert honest["absolute"] is True
    assert honest["verdict"] is not None
    assert (finding["absolute"], finding["verdict"], finding["advice"]) == (False, None, None)
    assert finding["why_relative"] == ["the distance to the wall and m contradict each other"]
    assert any("Measure distance_mm by tape and m again" in note for note in finding["notes"])
    assert (await at_wall.client.kept("setup"))["why_relative"] == finding["why_relative"]


async def test_a_paused_and_resumed_sweep_finds_what_an_undisturbed_one_does(at_wall: FindingBench) -> None:
    async def change() -> Difference:
        undisturbed, client = await at_wall.find_at_wall(LENS, RING, PANE), at_wall.client
        readings = client.watch("reading")
        run = (await client.command("sweep", merit="edge", repeats=2))["run"]
        for _ in range(10):
            await anext(readings)
        await client.command("pause", run=run)
        async with asyncio.timeout(10.0):
            async for _, state in client.watch("procedure"):
                if state["state"] == "paused":
                    break
        await asyncio.sleep(60.0)
        await client.command("resume", run=run)
        resumed = await at_wall.technician.finding("flange", run)
        assert resumed["readings"]["indices"] == undisturbed["readings"]["indices"]
        return difference(undisturbed, resumed, {})

    await agrees(change, 0.0)


async def test_adapters_in_either_order_leave_the_focus_error(at_wall: FindingBench) -> None:
    async def change() -> Difference:
        one = await at_wall.find_at_wall(LENS, ["gap-03", "gap-04", "ring-07"], PANE)
        other = await at_wall.find_at_wall(LENS, ["gap-04", "gap-03", "ring-07"], PANE)
        assert [line["u"] for line in one["budgets"]["focus_error"] if line["term"].startswith("adapter gap")] == [
            1.5,
            1.5,
        ]
        return difference(one, other, {"joints": 1.0, "stand-off": 1.0})

    await agrees(change, 0.0)


async def test_trim_leaves_the_focus_error_and_is_shown(at_wall: FindingBench) -> None:
    async def change() -> Difference:
        plain = await at_wall.find_at_wall(LENS, RING, PANE)
        client = at_wall.client
        before = await client.kept("setup")
        await client.do("setup", set={"trim_um": 5.0}, follow=True)
        trimmed = await at_wall.sweep()
        setup = await client.kept("setup")
        assert setup["trim_um"] == 5.0
        assert [term["value_um"] for term in setup["chain"] if term["term"] == "trim"] == [5.0]
        assert setup["chain"][-1]["value_um"] - before["chain"][-1]["value_um"] == pytest.approx(5.0, abs=0.01)
        for notes in (setup["notes"], trimmed["notes"]):
            assert any("trim of +5 µm" in note for note in notes), notes
        await client.do("nominal")
        async with asyncio.timeout(120):  # nominal is where the trim is; the carriage tells so a moment later
            async for _, carriage in client.watch("device/carriage"):
                if carriage["state"] == "idle" and abs(carriage["offset_um"] - 5.0) <= 1.0:
                    break
        return difference(plain, trimmed, {})

    await agrees(change, 0.0)


async def test_a_warmer_room_leaves_the_focus_error(at_wall: FindingBench) -> None:
    """Base, adapter and scale grow by 6 um from 18 to 26 C, and nothing else on the bench does."""
    before = (await at_wall.client.kept("setup"))["temperature_C"]
    standing = at_wall.technician.measure("thermometer")["temperature_C"]
    grows = (24_000.0 * 11.5e-6, 18_003.2 * 23.0e-6, 8_300.0 * 8.0e-6)  # um/K: steel, aluminium, a glass scale

    async def change() -> Difference:
        found = []
        at_wall.technician.fit(list(RING), list(PANE), LENS)
        tape = at_wall.technician.measure("tape")  # once for both: what it errs by is the same
        wall = {"distance_mm": tape["distance_mm"], "m": tape["m"]}
        for room_C in (18.0, 26.0):
            at_wall.bench.hand("set", "temperature", room_C)
            found.append(await at_wall.find(LENS, RING, PANE, temperature_C=room_C, **wall))
        notes = [[note for note in finding["notes"] if "taken back to 20 °C" in note] for finding in found]
        assert [note.split(":")[0] for (note,) in notes] == ["At 18 °C", "At 26 °C"]
        # The thermometer errs alike on both days. Each coefficient is known to 5 % (handbook, common practice).
        return difference(found[0], found[1], {}, own=[0.05 * 8.0 * each for each in grows])

    try:
        await agrees(change, 0.0)
    finally:
        at_wall.bench.hand("set", "temperature", standing)
        await at_wall.client.command("setup", set={"temperature_C": before})


async def test_a_plate_of_doubtful_index_is_off_by_no_more_than_it_says(record: Path, tmp_path: Path) -> None:
    """Its index is stated 0.01 off, at u = 0.01: e is off by 2498 x 0.01 / 1.533^2 = 10.6 um, and says so."""
    text = (CONFIGS / "workshop" / "glasses" / "pane-25.yaml").read_text(encoding="utf-8")
    assert text.count("index: 1.5230, u_index: 0.0005") == 1
    pane = text.replace("index: 1.5230, u_index: 0.0005", "index: 1.5330, u_index: 0.01")
    async with (
        VirtualBench(tmp_path, record=record, files={"glasses/pane-25.yaml": pane}, pace=PACE) as bench,
        person(bench) as (client, technician),
    ):
        doubtful = await ready(bench, client, technician)

        async def change() -> Difference:
            in_air = await doubtful.find_at_wall(TWIN, RING, [])
            behind_plate = await doubtful.find_at_wall(LENS, RING, PANE)
            (line,) = [one for one in behind_plate["budgets"]["focus_error"] if one["term"] == "glass pane-25"]
            assert line["u"] == pytest.approx(10.6, abs=0.1)
            found = difference(in_air, behind_plate, {"joints": 1.0, "stand-off": 1.0, "glass": 1.0})
            # Joints and dirt are worth 1.5 um between the two; what is left is the index.
            assert found.value == pytest.approx(-10.7, abs=6.0)
            return found

        await agrees(change, 0.0)
