"""The bench for little money, from its stated figures of steps to those that were measured, and to true findings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from benchd.bench.assembly import build
from benchd.errors import BenchdError
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems
from stack import CONFIGS
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
        technician.clear()
        # As little as the steps are worth, the gauge has to be moved a long way to show which way it counts.
        await technician.run("bench_zero", reference=technician.reference, check_um=500)
        await technician.run("adapter_length", adapter=RING, check_um=500)
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


@pytest.mark.parametrize("stated", [{"linear": True}, {"gamma": 2.2}])
async def test_a_camera_that_turns_its_own_gain_is_noticed_whatever_is_stated_of_it(
    tmp_path: Path, stated: dict[str, Any]
) -> None:
    def as_stated(doc: Any) -> None:
        doc["devices"]["view"] |= stated

    async with garage(tmp_path, change=as_stated) as bench, person(bench) as (_, technician):
        finding = await technician.check(LENS, [RING], [PANE], repeats=3)
    assert any("turns its own gain" in note for note in finding["notes"]), finding["notes"]
    assert "non-linear pictures" in {line["term"] for line in finding["budgets"]["focus_error"]}


async def test_a_camera_that_is_as_stated_is_not_doubted(tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, pace=PACE) as bench, person(bench) as (_, technician):
        finding = await technician.check(LENS, [RING], [PANE], repeats=3)
    assert not any("own gain" in note for note in finding["notes"]), finding["notes"]
    assert "non-linear pictures" not in {line["term"] for line in finding["budgets"]["focus_error"]}


def by_gauge(doc: Any) -> None:
    """A dial gauge on the carriage tells where it stands, over the 12.5 mm that it has; its zero is elsewhere."""
    doc["links"]["scale_line"] = {
        "kind": "memory",
        "port": doc["links"]["dial_line"]["port"].replace("indicator", "dial"),
    }
    doc["devices"]["gauge"] = {
        "driver": "line", "link": "scale_line", "ask": "R?", "pattern": "^R=([-+0-9.]+)$", "quantity": "gauge",
        "grows": "deeper", "range_um": [0, 12500], "resolution_um": 1.0, "hysteresis_um": 1.5, "u_gain": 3e-4,
    }  # fmt: skip
    doc["roles"]["position"] = "gauge"
    doc["devices"]["stage"]["travel_um"] = [0, 12500]
    doc["base"]["given"]["length_um"] = 22100


async def test_a_dial_gauge_is_the_position_over_its_short_way_and_the_finding_holds_the_truth(tmp_path: Path) -> None:
    async with garage(tmp_path, change=by_gauge) as bench, person(bench) as (client, technician):
        await technician.run("seat_zero", reference="collar-45", adapters=[RING])
        finding = await technician.check(LENS, [RING], [PANE])
        carriage, setup = await client.kept("device/carriage"), await client.kept("setup")
        truth = bench.truth()["focus_error_um"]
    lines = {line["term"]: line for line in finding["budgets"]["focus_error"]}
    assert lines["position subdivision"]["source"].startswith("gauge")
    assert not any("backlash" in term or "homing" in term for term in lines), "the gauge sees both"
    low, high = carriage["limits_um"]
    assert 0.0 < low < high < 12500.0
    assert any("touches or zeroes" in note for note in setup["notes"])
    error = finding["values"]["focus_error"]
    assert finding["absolute"] is True
    assert abs(error["value"] - truth) <= 2.0 * error["U"]


async def test_a_gauge_out_of_its_range_is_no_position(tmp_path: Path) -> None:
    def short(doc: Any) -> None:
        by_gauge(doc)
        doc["devices"]["gauge"]["range_um"] = [3000, 12500]

    async with garage(tmp_path, change=short) as bench, person(bench) as (client, technician):
        with pytest.raises(RunEnded, match="out of its range"):
            await technician.run("seat_zero", reference="collar-45", adapters=[RING])
        assert (await client.kept("device/carriage"))["homed"] is False


def test_a_gauge_that_does_not_say_which_way_it_counts_is_no_position(tmp_path: Path) -> None:
    doc = YAML(typ="safe").load((CONFIGS / "garage" / "bench.yaml").read_text(encoding="utf-8"))
    by_gauge(doc)
    for link in doc["links"].values():
        link["kind"] = "serial"
    for key in ("grows", "hysteresis_um", "u_gain"):
        del doc["devices"]["gauge"][key]
    doc["records"] = str(CONFIGS / "workshop")
    path = tmp_path / "bench.yaml"
    with path.open("w", encoding="utf-8") as out:
        YAML().dump(doc, out)
    with pytest.raises(FileProblems) as refused:
        build(load_bench(path))
    assert {key for key in ("grows", "hysteresis_um", "u_gain") if f"gauge.{key}" in str(refused.value)} == {
        "grows", "hysteresis_um", "u_gain"
    }  # fmt: skip
