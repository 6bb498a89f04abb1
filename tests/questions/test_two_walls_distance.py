"""Whatever told the distance to the wall is what the gap's line goes by: its name, and its u."""

from __future__ import annotations

import pytest

from benchd.assessments.finding import WallShares
from benchd.questions.two_walls.assessment import Wall, WallsInput, assess

HEAD = {
    "finding": "f-1", "assessment": "two_walls", "run": "r-0001", "setup": 1, "lens": "L-0417",
    "job": None, "at": "2026-01-01T00:00:00Z", "version": "test",
}  # fmt: skip


@pytest.mark.parametrize(("by", "u_mm"), [("tape", 3.0), ("rangefinder", 40.0)])
def test_the_gaps_line_is_that_of_what_told_the_distance(by: str, u_mm: float) -> None:
    given = WallsInput(
        head=HEAD,
        artefact="gap.house",
        model="house",
        measurand={"arrangement": "wall"},
        shares=WallShares(u_distance_mm=u_mm),
        distance_by=by,
        focus_u_rel=0.0,
        u_scale=0.0,
        at_a_place=(),
        u_abbe_um=0.0,
        indices=(0, 1),
    )
    near, far = (Wall(50_000.0 * (1.0 + m), 0.1, 20.0, 50.0 * (2.0 + m + 1.0 / m), m, 1e-6) for m in (0.02, 0.01))
    finding = assess(near, far, given)
    (line,) = [one for one in finding.budgets["gap"] if one.term == "distance"]
    assert line.source == by
    assert line.u == pytest.approx(1000.0 * u_mm)
    assert (finding.values["gap"].u or 0.0) >= 1000.0 * u_mm
