"""The shift by the wall from two walls, against what the world knows of it: through MQTT and the hand alone."""

from __future__ import annotations

import asyncio
from math import hypot, sqrt
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import chi2

from alike_pairs import two_walls
from finding_bench import LENS, MARKS_APART_MM, PANE, RING, FindingBench, ready, with_marks
from tests.virtual.benches import PACE, VirtualBench, person

SEEDS = range(1, 7)


def term(setup: dict[str, Any], name: str) -> dict[str, Any]:
    return next(dict(one) for one in setup["chain"] if one["term"] == name)


async def seated(bench: FindingBench) -> None:
    bench.technician.fit(list(RING), list(PANE), LENS)
    bench.bench.hand("set", "wall_marks", MARKS_APART_MM)
    await bench.client.command("setup", set={"adapters": list(RING), "glass": list(PANE)})


async def by_two_walls(folder: Path, seed: int) -> tuple[float, dict[str, Any], dict[str, Any], float]:
    """How far the chain's shift by the wall is off in its own u, the finding, the set-up afterwards, and how far the
    lens truly is from nominal (um)."""
    async with (
        VirtualBench(folder, seed=seed, pace=PACE, change=with_marks) as stack,
        person(stack) as (client, technician),
    ):
        stack.hand("set", "wall_marks", MARKS_APART_MM)
        await technician.calibrate(list(RING))
        (finding,) = (await two_walls(await ready(stack, client, technician))).findings
        await technician.run("next_lens", lens=LENS)
        setup = await client.kept("setup")
        conjugate, truth = term(setup, "conjugate"), stack.truth()
        assert any("by two walls" in note for note in setup["notes"]), setup["notes"]
        off = (conjugate["value_um"] - truth["now"]["conjugate_um"]) / conjugate["u_um"]
        return off, finding, setup, truth["focus_error_um"]


async def test_it_is_true_and_surer_than_by_tape(tmp_path: Path) -> None:
    """Six benches, each with a gap of its own, 0 +- 10 mm by the lens's record."""
    off = []
    for seed in SEEDS:
        z, finding, setup, error_um = await by_two_walls(tmp_path / str(seed), seed)
        off.append(z)
        conjugate = term(setup, "conjugate")
        assert conjugate["u_um"] < 1.0, "1.5 by tape, its record's gap, and a tape for m"
        shift = finding["values"]["shift"]
        assert abs(shift["value"] - conjugate["value_um"]) < 5.0
        gap = finding["values"]["gap"]
        # Twice the marks' share of five metres, and the tape; twice as much of them as the lens stood beside focus, and
        # as nominal was unsure by, is of the pupil's way. How far beside is known to a few um by then.
        lines = {line["term"]: line["u"] for line in finding["budgets"]["gap"]}
        assert lines["marks"] == pytest.approx(2.0 * hypot(0.0005, 0.1 / MARKS_APART_MM, 2e-4) * 5.0e6, rel=0.05)
        assert lines["distance"] == pytest.approx(3000.0), "the tape's"
        beside_um = lines["out of focus"] / (2.0 * 5.0e6) * 49600.0 * sqrt(3.0) / 1.3
        assert abs(error_um) - 6.0 < beside_um < hypot(abs(error_um) + 6.0, 6.0)
        assert gap["u"] == pytest.approx(hypot(*lines.values()))
        f = finding["values"]["focal_length"]
        assert f["unit"] == "mm"
        assert abs(f["value"] - 49.6) <= 3.0 * hypot(f["u"], 0.2), "the record's, and what it is off by"
        assert f["u"] < 0.15
    squares = sum(z * z for z in off)
    assert chi2.ppf(0.001, len(off)) < squares < chi2.isf(0.001, len(off)), off
    assert max(map(abs, off)) < 3.5, off


@pytest.mark.parametrize("far_mm", [3000.0, 3150.0])
async def test_walls_that_are_not_told_apart_are_refused(tmp_path: Path, far_mm: float) -> None:
    from technician import RunEnded

    async with (
        VirtualBench(tmp_path, pace=PACE, change=with_marks) as stack,
        person(stack) as (client, technician),
    ):
        await seated(await ready(stack, client, technician))
        technician.far_mm = far_mm
        if far_mm == 3000.0:
            with pytest.raises(RunEnded, match="not told apart"):
                await technician.run("two_walls", lens=LENS)
        else:
            state = await technician.run("two_walls", lens=LENS)
            gap = (await technician.finding("two_walls", str(state["run"])))["values"]["gap"]
            assert gap["u"] > 10_000.0, "a seventh of a metre tells little, and says so"


async def test_another_wall_afterwards_costs_what_the_tape_is_off_by(tmp_path: Path) -> None:
    async with (
        VirtualBench(tmp_path, pace=PACE, change=with_marks) as stack,
        person(stack) as (client, technician),
    ):
        await technician.calibrate(list(RING))
        await seated(await ready(stack, client, technician))
        await technician.run("two_walls", lens=LENS)
        await technician.run("next_lens", lens=LENS)
        here = await client.kept("setup")
        stack.hand("set", "wall_mm", 4000.0)
        await client.command("take", beat=False)
        await technician.run("next_lens", lens=LENS, distance_mm=technician.measure("tape")["distance_mm"])
        there = await client.kept("setup")
        assert any("at this wall, by the same marks" in note for note in here["notes"])
        assert any("at another wall, by the same marks" in note for note in there["notes"])
        conjugate = term(there, "conjugate")
        assert abs(conjugate["value_um"] - stack.truth()["now"]["conjugate_um"]) < 3.0 * conjugate["u_um"]
        # m by tape tells nothing that cancels: the gap's whole u counts, and the record's own may then be surer.
        tape = technician.measure("tape")
        await client.command("setup", set={"m": tape["m"]})
        async with asyncio.timeout(10.0):
            async for _, doc in client.watch("setup"):
                if any("m told otherwise" in note for note in doc["notes"]):
                    break
        by_tape = term(doc, "conjugate")
        assert by_tape["u_um"] > conjugate["u_um"]
