"""The plate in and out: drift cancels, the residual is what is left of the shift."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchd.assessments.glass_toggle import ToggleInput, Visit, assess
from benchd.optics.plate import paraxial_shift_um, paraxial_u_um

GIVEN = ToggleInput(
    run="r-0009",
    setup=20,
    lens="L-0417",
    glass=("pane-25",),
    measurand={"arrangement": "wall", "glass": ["pane-25"]},
    paraxial_um=(paraxial_shift_um(2.498, 1.5230), paraxial_u_um(2.498, 0.002, 1.5230, 0.0005)),
    expected_residual_um=15.2,
    u_scale=1e-5,
    indices=(0, 155),
    at="2031-04-05T09:20:02Z",
    version="0",
    f_number=2.0,
)


def test_pictures_that_are_not_linear_cost_a_line_and_a_note() -> None:
    labelled = assess(visits(873.0, 0.0), replace(GIVEN, linear=False))
    assert "non-linear pictures" in {line.term for line in labelled.budget}
    assert any("gamma" in note for note in labelled.notes)


def visits(shift: float, drift_each: float) -> list[Visit]:
    depths = [0.0, shift, shift, 0.0]
    return [Visit(51000.0 + depth + i * drift_each, 0.1, 30.0) for i, depth in enumerate(depths)]


@pytest.mark.parametrize("drift", [0.0, 1.0, -3.0])
def test_a_steady_drift_cancels(drift: float) -> None:
    found = assess(visits(873.0, drift), GIVEN)
    assert found.values["shift"].value == pytest.approx(873.0)
    assert found.values["drift"].value == pytest.approx(drift)


def test_residual_is_shift_less_paraxial_and_knows_the_plates_doubt() -> None:
    found = assess(visits(873.0, 0.0), GIVEN)
    residual, shift = found.values["residual"], found.values["shift"]
    assert residual.value == pytest.approx(873.0 - GIVEN.paraxial_um[0])
    assert shift.u is not None
    assert residual.u is not None
    assert shift.u < 0.2 < residual.u
    assert residual.u == pytest.approx((shift.u**2 + GIVEN.paraxial_um[1] ** 2) ** 0.5, rel=1e-6)
    assert {line.term for line in found.budget} >= {"readings", "plate record"}
