"""The gap of a lens model by two specimens: each its own, and a third that was not measured by them."""

from __future__ import annotations

from math import hypot
from pathlib import Path
from typing import Any

import pytest

from benchd.bench.datum.model_gap import SPECIMENS_UM
from benchd.metrology.specimens import another_specimen
from day_world import write_day
from finding_bench import MARKS_APART_MM, PANE, RING, ready, with_marks
from tests.virtual.benches import PACE, VirtualBench, person
from tests.virtual.test_two_walls import term

THREE = ("L-0601", "L-0602", "L-0603")


def about_gap(setup: dict[str, Any]) -> str:
    (note,) = [note for note in setup["notes"] if note.startswith("Gap of the principal planes")]
    return str(note)


async def test_each_specimen_has_its_own_and_a_third_the_surest_of_both(tmp_path: Path) -> None:
    world, lenses = write_day(tmp_path / "day", 3, seed=1)
    assert tuple(lenses[:3]) == THREE
    records = {f"lenses/{name}.yaml": (tmp_path / "day/workshop/lenses" / f"{name}.yaml").read_text() for name in THREE}
    async with (
        VirtualBench(tmp_path / "bench", world=str(world), pace=PACE, change=with_marks, files=records) as stack,
        person(stack) as (client, technician),
    ):
        stack.hand("set", "wall_marks", MARKS_APART_MM)
        await technician.calibrate(list(RING))
        await ready(stack, client, technician)
        technician.fit(list(RING), list(PANE), THREE[0])
        await client.command("setup", set={"adapters": list(RING), "glass": list(PANE)})
        found = []
        for lens in THREE[:2]:
            state = await technician.run("two_walls", lens=lens)
            found.append(await technician.finding("two_walls", str(state["run"])))
            assert any("One that was not measured itself has the mean" in note for note in found[-1]["notes"])
            if lens == THREE[0]:  # by one alone
                await technician.run("next_lens", lens=THREE[2])
                assert "with another specimen" in about_gap(await client.kept("setup"))

        for lens, own in zip(THREE[:2], found, strict=True):
            await technician.run("next_lens", lens=lens)
            told = f"{own['values']['gap']['value'] / 1000.0:.1f} mm by two walls (cal-"
            assert told in about_gap(await client.kept("setup")), "its own"

        technician.seat(THREE[2])
        await technician.run("next_lens", lens=THREE[2])
        setup, truth = await client.kept("setup"), stack.truth()
        finding = await client.kept("finding/flange")
        error = finding["values"]["focus_error"]
        assert abs(error["value"] - truth["focus_error_um"]) <= error["U"]
        gaps = [one["values"]["gap"]["value"] for one in found]
        at_walls = [one["calibrates"][0]["at_wall"] for one in found]
        own_um = [hypot(at["own_u_um"], 1000.0 * at["u_distance_mm"]) for at in at_walls]
        # Both were measured with a tape of its own, and the wall stands where the second one's was held: by that one
        # alone the tape cancels, and the two do not scatter by more than specimens are stated to.
        assert another_specimen(gaps, own_um, SPECIMENS_UM).as_stated
        assert f"{gaps[1] / 1000.0:.1f} mm by two walls with another specimen" in about_gap(setup)
        conjugate = term(setup, "conjugate")
        (gap,) = [part for part in conjugate["parts"] if part["name"] == "gap"]
        m = truth["now"]["magnification"]
        another = another_specimen(gaps[1:], [at_walls[1]["own_u_um"]], SPECIMENS_UM)
        assert gap["u"] == pytest.approx(another.u * (m / (1.0 + m)) ** 2, rel=0.03)
        assert conjugate["dof"] == pytest.approx(another.dof * (conjugate["u_um"] / gap["u"]) ** 4, rel=0.03)
        assert abs(conjugate["value_um"] - truth["now"]["conjugate_um"]) < 3.5 * conjugate["u_um"]
