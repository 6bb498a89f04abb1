"""A bench file that says of its camera what its pictures are: the finding bears it, from the camera to the budget."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd.assessments.peak_lines import NON_LINEAR_SHIFT_UM
from tests.virtual.benches import PACE, VirtualBench, person

pytestmark = pytest.mark.asyncio(loop_scope="module")


def curve_unknown(doc: Any) -> None:
    del doc["devices"]["view"]["linear"]


async def test_a_camera_with_an_unknown_curve_gives_its_findings_a_line_and_a_note(
    record: Path, tmp_path: Path
) -> None:
    async with (
        VirtualBench(tmp_path, record=record, change=curve_unknown, pace=PACE) as bench,
        person(bench) as (_, technician),
    ):
        finding = await technician.check("L-0417", ["ring-07"], ["pane-25"])
    (line,) = [line for line in finding["budgets"]["focus_error"] if line["term"] == "non-linear pictures"]
    assert line["u"] == pytest.approx(NON_LINEAR_SHIFT_UM * finding["measurand"]["f_number"] ** 2 / 3**0.5)
    assert finding["values"]["focus_error"]["u"] > line["u"]
    assert any("gamma" in note for note in finding["notes"])
    assert finding["measurand"]["response"] == "system"
