"""What an undecided verdict advises, done on the whole bench: the procedure it names is run, and U falls as foretold.

Through MQTT and the hand alone; whether the intervals are true is told by the world.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from finding_bench import LENS, PANE, RING, FindingBench, ready
from tests.virtual.advised import as_foretold, contribution, holds, left_open
from tests.virtual.benches import PACE, VirtualBench, person

APART_MM = 220.0
SEEDS = (1, 2, 3)


def marked(doc: Any) -> None:
    doc["arrangement"] = {"kind": "wall", "marks_apart_mm": APART_MM, "u_marks_apart_mm": 0.1, "u_distortion": 2e-4}


@pytest.mark.parametrize("seed", SEEDS)
async def test_an_adapter_as_its_maker_gave_it_is_left_out_by_a_zero_on_its_seat(tmp_path: Path, seed: int) -> None:
    async with (
        VirtualBench(tmp_path, seed=seed, pace=PACE, curves=True) as stack,
        person(stack) as (client, technician),
    ):
        bench = await ready(stack, client, technician)
        warmth = technician.measure("thermometer")
        await client.command("setup", set={"temperature_C": warmth["temperature_C"]})
        await technician.run("bench_zero", reference=technician.reference)
        found = await bench.find_at_wall(LENS, RING, PANE)
        before = await left_open(bench, found, contribution(found, "adapter ring-07"))
        holds(bench, before)
        step = before["verdict"]["next"]
        assert (step["dominant"], step.get("part")) == ("adapter ring-07", None)
        assert "run seat_zero" in step["how"]
        assert "will not decide it" not in step["how"]

        await technician.run("seat_zero", reference=technician.reference, adapters=list(RING))
        for pane in PANE:
            stack.hand("fit", "glass", pane)
        technician.seat(LENS)
        tape = technician.measure("tape")
        wall = {"distance_mm": tape["distance_mm"], "m": tape["m"]}
        await client.command("take", beat=False)
        await client.command("setup", set={"lens": LENS, "glass": list(PANE), "ring": "infinity", **wall})
        await client.command("light", beat=False, level=0.4)
        after = await bench.sweep()
        holds(bench, after)
        as_foretold(before, after, contribution(after, "adapter ring-07"))


@pytest.mark.parametrize("seed", SEEDS)
async def test_a_gap_that_nobody_knows_is_found_at_two_walls(tmp_path: Path, seed: int) -> None:
    async with (
        VirtualBench(tmp_path, seed=seed, pace=PACE, change=marked) as stack,
        person(stack) as (client, technician),
    ):
        stack.hand("set", "wall_marks", APART_MM)
        bench = await ready(stack, client, technician)
        await technician.calibrate(list(RING))
        await client.command("light", beat=False, level=0.4)
        # Left out of the lens's record the gap would count as 10 mm; of a lens of which less is known, as 15.
        await client.command("record", kind="lens", id=LENS, set={"principal_gap_mm": {"value": 0, "u": 15}})
        await at_marks(bench)
        found = await bench.sweep()
        before = await left_open(bench, found, contribution(found, "conjugate", "gap"))
        holds(bench, before)
        step = before["verdict"]["next"]
        assert (step["dominant"], step["part"]) == ("conjugate", "gap")
        assert "run two_walls" in step["how"]
        assert "will not decide it" not in step["how"]

        await technician.run("two_walls", lens=LENS)
        await client.command("take", beat=False)
        await client.command("light", beat=False, level=0.4)
        await client.do("nominal")
        after = await bench.sweep()
        holds(bench, after)
        as_foretold(before, after, contribution(after, "conjugate", "gap"))


async def at_marks(bench: FindingBench) -> None:
    """The lens seated, the wall by tape, m told by the marks on it."""
    bench.technician.fit(list(RING), list(PANE), LENS)
    tape = bench.technician.measure("tape")
    stands = {"lens": LENS, "adapters": list(RING), "glass": list(PANE), "ring": "infinity", "m": None}
    await bench.client.command("take", beat=False)
    await bench.client.command("setup", set={"distance_mm": tape["distance_mm"], **stands})
    await bench.client.do("nominal")
    await bench.client.command("magnification", beat=False)
