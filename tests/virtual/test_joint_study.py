"""What a mated pair adds, by the study, against what the world draws its joints by: through MQTT and the hand alone."""

from __future__ import annotations

from math import sqrt
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import chi2

from benchd.errors import Refused
from finding_bench import LENS, PANE, RING, TWIN, FindingBench, ready
from tests.one_calibration import add_calibration
from tests.virtual.benches import PACE, VirtualBench, person
from tests.virtual.test_calibrations import record_of

SEEDS = range(1, 7)
TRUE_UM = sqrt(0.7**2 + 0.4**2 / 12.0)
"""Of the world's joints, and of the dirt in them, evenly from none to its bound."""
OUTSIDE = 1e-3
"""Probability that a true statement lies outside of what is asked of it here."""


async def study(bench: FindingBench, **given: Any) -> dict[str, Any]:
    """The finding of a study on adapter and pane."""
    technician = bench.technician
    technician.fit(list(RING), list(PANE), LENS)
    stands = {"adapters": list(RING), "glass": list(PANE), "distance_mm": technician.measure("tape")["distance_mm"]}
    await bench.client.command("take", beat=False)
    state = await technician.run("joint_study", **{**stands, "lenses": [LENS, TWIN], "people": ["Ann", "Ben"], **given})
    return await technician.finding("joint_study", str(state["run"]))


async def test_its_u_is_that_of_the_worlds_joints(tmp_path: Path) -> None:
    """dof u^2 / true^2 is chi-square distributed, of each of six benches and of all together."""
    q, dof = [], []
    for seed in SEEDS:
        async with (
            VirtualBench(tmp_path / str(seed), seed=seed, pace=PACE, curves=True) as stack,
            person(stack) as (client, technician),
        ):
            joint = (await study(await ready(stack, client, technician), trials=3))["values"]["joint"]
        dof.append(joint["dof"])
        q.append(joint["dof"] * joint["u"] ** 2 / TRUE_UM**2)
    each = OUTSIDE / len(q) / 2.0
    for one, of in zip(q, dof, strict=True):
        assert chi2.ppf(each, of) < one < chi2.isf(each, of), (q, dof)
    assert chi2.ppf(OUTSIDE / 2.0, sum(dof)) < sum(q) < chi2.isf(OUTSIDE / 2.0, sum(dof)), (q, dof)
    assert sum(dof) > 30.0, "so that a u wrong by half would show"


def line(finding: dict[str, Any], term: str) -> dict[str, Any]:
    return next(dict(one) for one in finding["budgets"]["focus_error"] if one["term"] == term)


async def test_in_force_it_is_what_findings_count_with_until_it_is_withdrawn(record: Path, tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, record=record, pace=PACE) as stack:
        async with person(stack) as (client, technician):
            bench = await ready(stack, client, technician)
            before = await bench.find_at_wall(LENS, RING, PANE)
            found = await study(bench, lenses=[LENS], people=["Ann"], trials=8)
            kept = (await client.kept("setup"))["chain"]
            await client.command("light", beat=False, level=0.4)  # the procedure leaves it dark
            after = await bench.find_at_wall(LENS, RING, PANE)
        joint = found["values"]["joint"]
        (in_chain,) = [term for term in kept if term["term"] == "joints"]
        told = line(after, "joints")
        assert (line(before, "joints")["source"], line(before, "joints")["type"]) == ("bench file", "B")
        assert (told["source"], told["type"]) == (in_chain["source"], "A")
        assert told["source"] in after["calibrations"]
        assert told["u"] == in_chain["u_um"] == pytest.approx(sqrt(2.0) * joint["u"]), (
            "adapter on base, lens on adapter"
        )
        assert told["dof"] == pytest.approx(joint["dof"])
        u = [finding["values"]["focus_error"]["u"] for finding in (before, after)]
        own = [sqrt(one**2 - sum(line(f, t)["u"] ** 2 for t in ("joints", "sweep"))) for one, f in
               zip(u, (before, after), strict=True)]  # fmt: skip
        assert own[0] == pytest.approx(own[1], rel=0.02), "nothing else has changed"
        truth = stack.truth()["focus_error_um"]
        error = after["values"]["focus_error"]
        assert abs(error["value"] - truth) <= error["U"]

        async with record_of(stack) as store:
            await add_calibration(
                store, "joint", None, None, at_C=None, dof=None, finding=None, valid_until=None, by="keeper"
            )
        async with person(stack) as (client, technician):
            again = await (await ready(stack, client, technician)).find_at_wall(LENS, RING, PANE)
        assert line(again, "joints") == line(before, "joints")


@pytest.mark.parametrize(
    ("lenses", "people", "trials", "repeat"), [([LENS], ["Ann"], 5, 4), ([LENS, TWIN], ["Ann"], 3, 4)]
)
async def test_a_study_that_tells_too_little_is_refused_before_anybody_seats_anything(
    tmp_path: Path, lenses: list[str], people: list[str], trials: int, repeat: int
) -> None:
    async with VirtualBench(tmp_path, pace=PACE, curves=True) as stack, person(stack) as (client, technician):
        bench = await ready(stack, client, technician)
        with pytest.raises(Refused, match=f"{repeat} repeat another of the same lens by the same person"):
            await study(bench, lenses=lenses, people=people, trials=trials)
        assert (await client.kept("procedure"))["run"] is None


async def test_hands_go_in_where_it_is_dark_and_nothing_moves_till_they_are_out(tmp_path: Path) -> None:
    """Of each seating: light and carriage as they are when the question is asked."""
    async with VirtualBench(tmp_path, pace=PACE, curves=True) as stack, person(stack) as (client, technician):
        bench = await ready(stack, client, technician)
        await client.command("light", beat=False, level=0.0)
        at: list[tuple[float, float]] = []
        obey = technician.obey

        def look(procedure: str, ask: dict[str, Any], inputs: dict[str, Any]) -> Any:
            if ask["name"] == "reseated":
                at.append((stack.machine.lamp.level, stack.place_um()))
                value = obey(procedure, ask, inputs)
                assert stack.place_um() == pytest.approx(at[-1][1], abs=0.1)
                return value
            return obey(procedure, ask, inputs)

        technician.obey = look  # type: ignore[method-assign]
        await study(bench, lenses=[LENS], people=["Ann"], trials=6)
        assert len(at) == 6
        assert [level for level, _ in at] == [0.0] * 6
        assert stack.machine.lamp.level == 0.0
