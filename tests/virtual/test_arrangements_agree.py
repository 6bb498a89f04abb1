"""One lens on benches of every arrangement: each finds the same of it. The client never learns what a world hides."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from differences import Difference, difference
from finding_bench import LENS, PANE, RING, TWIN, FindingBench, ready
from tests.differences import agrees
from tests.virtual.benches import PACE, VirtualBench, person

pytestmark = pytest.mark.asyncio(loop_scope="module")


async def test_infinity_at_the_wall_agrees_with_collimated_light(
    at_wall: FindingBench, record_in_collimated_light: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """The same lens on two benches: all but the lens is another, and the wall's conjugate term is right or not."""

    async def change() -> Difference:
        walled = await at_wall.find_at_wall(LENS, RING, PANE)
        config, folder = "workshop-collimated", tmp_path_factory.mktemp("collimated")
        async with (
            VirtualBench(folder, world=config, config=config, record=record_in_collimated_light, pace=PACE) as bench,
            person(bench) as (client, technician),
        ):
            other = await ready(bench, client, technician)
            collimated = await other.find(LENS, RING, PANE)
        assert collimated["absolute"] is True
        assert collimated["measurand"]["arrangement"] == "collimated"
        (own,) = [line for line in collimated["budgets"]["focus_error"] if line["term"] == "conjugate"]
        assert own["source"] == "collimator, bench file"
        # The plate is the same one, of the same record; the rest is each bench's own, or taken to be.
        rest = ["conjugate", "joints", "stand-off", "wedge", "sag", "abbe", "base", "adapter", "thermal", "position"]
        return difference(walled, collimated, dict.fromkeys([*rest, "frequency"], 1.0))

    await agrees(change, 0.0)


async def test_one_lens_agrees_in_all_four_arrangements(
    at_wall: FindingBench, record_in_collimated_light: Path, tmp_path: Path
) -> None:
    """Projected, in collimated light, by a reticle before it, and by its own light from a mirror.

    Four benches that share nothing but the lens and the records of its drawer. In air, as no plate's shift is within a
    reticle's reach; what the cover of the fixed sensor leaves beside its paraxial shift stands in its finding. Each
    pair agrees within U of its difference, to which all lines of both count.
    """
    found = {"wall": await at_wall.find_at_wall(TWIN, RING, [])}
    fixed = {"workshop-reticle": "collar-32"}
    records = {"workshop-collimated": record_in_collimated_light}
    for config in ("workshop-collimated", "workshop-reticle", "workshop-autocollimation"):
        async with (
            VirtualBench(
                tmp_path / config, world=config, config=config, record=records.get(config), pace=PACE
            ) as bench,
            person(bench) as (client, technician),
        ):
            if config not in records:
                await technician.calibrate(["ring-07"], fixed=fixed.get(config))
            other = await ready(bench, client, technician)
            finding = await other.find(TWIN, RING, [])
        assert finding["absolute"] is True
        found[finding["measurand"]["arrangement"]] = finding
    assert set(found) == {"wall", "collimated", "collimator_reticle", "autocollimation"}
    for one, another in itertools.combinations(found.values(), 2):
        lines = {line["term"].split(" ")[0] for each in (one, another) for line in each["budgets"]["focus_error"]}
        left = [each["values"]["glass_residual"] for each in (one, another)]
        apart = difference(one, another, dict.fromkeys(lines, 1.0), own=[each["u"] for each in left])
        expected = left[1]["value"] - left[0]["value"]
        assert apart.is_about(expected), (one["measurand"], another["measurand"], apart, expected)
