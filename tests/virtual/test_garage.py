"""The bench for little money, from its stated figures of steps to those that were measured, and to true findings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd.errors import BenchdError
from technician import RunEnded, Technician
from tests.virtual.benches import PACE, VirtualBench, person

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"
WHERE = {"home_repeat": {"at_um": 3500.0}, "axis_test": {"from_um": 200.0}}
"""On the ring the dial has its middle at 3.5 mm of the carriage, and 5 mm either way."""


def garage(folder: Path, **more: Any) -> VirtualBench:
    return VirtualBench(folder, world="garage", config="garage", pace=PACE, **more)


async def measured(technician: Technician, procedure: str, **inputs: Any) -> dict[str, Any]:
    """A finding of what steps are worth, accepted."""
    state = await technician.run(procedure, adapters=[RING], **WHERE[procedure], **inputs)
    return await technician.finding(procedure, str(state["run"]))


async def test_what_steps_are_worth_is_found_comes_into_force_and_findings_by_it_hold_the_truth(tmp_path: Path) -> None:
    async with garage(tmp_path) as bench, person(bench) as (client, technician):
        home = await measured(technician, "home_repeat")
        axis = await measured(technician, "axis_test")
        await technician.calibrate([RING])
        finding = await technician.check(LENS, [RING], [PANE])
        await client.command("withdraw", artefact="steps-home", why="another switch")
        setup, truth = await client.kept("setup"), bench.truth()
    true_pitch = truth["quantities"]["carriage.cumulative"]["true"]
    # Beyond twice the interval an honest bench is once in 5,000 times.
    for key, true in (("pitch", true_pitch), ("periodic", 6.0), ("reversal", -20.0)):
        found = axis["values"][key]
        assert abs(found["value"] - true) <= 2.0 * found["U"], (key, found, true)
    assert axis["values"]["pitch"]["U"] < 1e-3
    assert 3.0 < home["values"]["home"]["u"] < 12.0, "the switch scatters by 6 um"
    lines = {line["term"]: line for line in finding["budgets"]["focus_error"]}
    assert {name: lines[f"position {name}"]["source"].partition(",")[0] for name in ("periodic", "homing")} == {
        "periodic": "steps", "homing": "steps"
    }  # fmt: skip
    assert "cal-1" in lines["position homing"]["source"]
    assert lines["position homing"]["u"] == pytest.approx(2.0**0.5 * home["values"]["home"]["u"])
    assert lines["position homing"]["dof"] == pytest.approx(9.0)
    assert lines["position backlash"]["u"] == pytest.approx(axis["values"]["one_sided"]["u"])
    assert "non-linear pictures" in lines, "nobody has stated the camera's curve"
    assert {"cal-1", "cal-2", "cal-3", "cal-4"} <= set(finding["calibrations"])
    error = finding["values"]["focus_error"]
    assert finding["absolute"] is True
    assert finding["verdict"] is not None
    assert error["U"] > 10.0
    assert abs(error["value"] - truth["focus_error_um"]) <= 2.0 * error["U"]
    homing = next(line for line in setup["chain"] if line["term"] == "position homing")
    assert homing["source"] == "steps, bench file", "what was withdrawn counts no more"
    assert homing["u_um"] == pytest.approx(2.0**0.5 * 10.0)


async def test_findings_by_stated_steps_alone_are_wider_and_hold_the_truth(tmp_path: Path) -> None:
    async with garage(tmp_path) as bench, person(bench) as (_, technician):
        await technician.calibrate([RING])
        finding = await technician.check(LENS, [RING], [PANE])
        truth = bench.truth()["focus_error_um"]
    lines = {line["term"]: line for line in finding["budgets"]["focus_error"]}
    assert lines["position homing"]["source"] == "steps, bench file"
    error = finding["values"]["focus_error"]
    assert error["U"] > 25.0
    assert abs(error["value"] - truth) <= 2.0 * error["U"]


async def test_a_bench_with_a_scale_has_no_steps_to_test(tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, pace=PACE) as bench, person(bench) as (_, technician):
        with pytest.raises(BenchdError, match="a question of steps"):
            await technician.run("axis_test", from_um=200.0)
        with pytest.raises(BenchdError, match="a question of steps"):
            await technician.run("home_repeat", at_um=3500.0)


async def test_without_the_way_of_a_turn_the_axis_is_not_told_and_the_key_is_named(tmp_path: Path) -> None:
    def turnless(doc: Any) -> None:
        del doc["steps"]["period_um"]

    async with garage(tmp_path, change=turnless) as bench, person(bench) as (_, technician):
        with pytest.raises(RunEnded, match="period_um"):
            await measured(technician, "axis_test", runs=2, intervals=7)
