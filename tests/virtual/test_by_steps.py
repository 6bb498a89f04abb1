"""A bench without an encoder: its steps say where the carriage stands, as surely as its file says they do."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from alike_pairs import toggled
from technician import RunEnded
from tests.virtual.benches import PACE, VirtualBench, person

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"


def by_steps(bench: Any) -> None:
    """No encoder serves the carriage; what the screw may be wrong by is stated, as the world's own screw is made."""
    del bench["roles"]["position"]
    bench["steps"] = {
        "u_pitch": 5e-5,
        "periodic_um": 2.5,
        "u_backlash_um": 1.0,
        "u_home_um": 3.0,
        "alpha_per_K": 11.5e-6,
    }


def by_nothing(bench: Any) -> None:
    """No encoder, and nothing stated of the steps."""
    del bench["roles"]["position"]


async def test_findings_by_steps_are_absolute_less_sure_and_hold_the_truth(tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, change=by_steps, pace=PACE, curves=True) as bench:
        async with person(bench) as (client, technician):
            await technician.calibrate([RING])
            finding = await technician.check(LENS, [RING], [PANE])
            adapter = await client.kept("finding/adapter_length")
        truth = bench.truth()["focus_error_um"]
    assert finding["absolute"] is True
    lines = {line["term"]: line["u"] for line in finding["budgets"]["focus_error"]}
    assert {"position scale", "position periodic", "position backlash", "position homing"} <= set(lines)
    lines = {line["term"]: line["u"] for line in adapter["budgets"]["length"]}
    for place in ("on base", "on adapter"):
        assert lines[f"position periodic, {place}"] == pytest.approx(2.5 / 2.0**0.5)
        assert lines[f"position backlash, {place}"] == 1.0
    error = finding["values"]["focus_error"]
    assert error["u"] > 3.0 * 2.0**0.5, "two finds of the home switch, 3 um each, are in it"
    # Beyond twice the interval an honest bench is once in 5,000 times.
    assert abs(error["value"] - truth) <= 2.0 * error["U"]


async def test_where_nothing_is_stated_of_steps_findings_are_relative_and_put_nothing_in_force(tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, change=by_nothing, pace=PACE) as bench, person(bench) as (client, technician):
        with pytest.raises(RunEnded):
            await technician.calibrate([RING])
        finding = await technician.check(LENS, [RING], [PANE])
        base = await client.kept("finding/bench_zero")
        setup = await client.kept("setup")
    assert base["absolute"] is False
    assert finding["absolute"] is False
    assert finding["verdict"] is None
    assert finding["advice"] is None
    assert finding["calibrations"] == []
    assert any("steps:" in note for note in setup["notes"]), setup["notes"]


async def test_a_plate_in_and_out_by_steps_knows_what_the_screw_may_be_wrong_by(tmp_path: Path) -> None:
    async with (
        VirtualBench(tmp_path, change=by_steps, pace=PACE, curves=True) as bench,
        person(bench) as (_, technician),
    ):
        finding, shift_um = await toggled(bench, technician, LENS, RING, PANE)
    lines = {line["term"]: line["u"] for line in finding["budgets"]["shift"]}
    for state_of_glass in ("out", "in"):
        assert lines[f"position periodic, glass {state_of_glass}"] == pytest.approx(2.5 / 2.0**0.5)
        assert lines[f"position backlash, glass {state_of_glass}"] == 1.0
    assert not any("homing" in term for term in lines), "one zero, which both places share"
    shift = finding["values"]["shift"]
    # Beyond twice the interval an honest bench is once in 5,000 times.
    assert abs(shift["value"] - shift_um) <= 2.0 * shift["U"]
