"""The plate in and out: drift cancels, the residual is what is left of the shift."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchd.metrology.budget import Term
from benchd.optics.plate import paraxial_shift_um, paraxial_u_um
from benchd.questions.glass_toggle.assessment import ToggleInput, Visit, assess

GIVEN = ToggleInput(
    run="r-0009",
    setup=20,
    lens="L-0417",
    glass=("pane-25",),
    measurand={"arrangement": "wall", "glass": ["pane-25"]},
    paraxial_um=(paraxial_shift_um(2.498, 1.5230), paraxial_u_um(2.498, 0.002, 1.5230, 0.0005)),
    beyond_um=(18.7, 0.1, 1.3),
    artefact="glass.pane-25",
    lp_mm=40.0,
    light_nm=546.0,
    u_scale=1e-5,
    at_a_place=(),
    indices=(0, 155),
    at="2031-04-05T09:20:02Z",
    version="0",
    f_number=2.0,
)


def test_pictures_that_are_not_linear_cost_a_line_and_a_note() -> None:
    labelled = assess(visits(873.0, 0.0), replace(GIVEN, linear=False))
    assert "non-linear pictures" in {line.term for line in labelled.budgets["residual"]}
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
    assert {line.term for line in found.budgets["residual"]} >= {"readings", "plate record"}


def test_what_a_place_is_wrong_by_stands_in_the_budget_for_either_place() -> None:
    here = (
        Term("position periodic", 1.8, "B", None, "steps, bench file", "arcsine"),
        Term("position backlash", 1.0, "B", None, "steps, bench file"),
    )
    bare, found = assess(visits(873.0, 0.0), GIVEN), assess(visits(873.0, 0.0), replace(GIVEN, at_a_place=here))
    lines = {line.term: line for line in found.budgets["residual"]}
    for term in here:
        for state in ("out", "in"):
            line = lines[f"{term.term}, glass {state}"]
            assert (line.u, line.shape, line.source) == (term.u, term.shape, term.source)
    shift, before = found.values["shift"], bare.values["shift"]
    assert shift.u is not None
    assert before.u is not None
    # JCGM 100, 5.1.2: a difference of two independent errors; the second visit of a state shares that of the first.
    assert shift.u == pytest.approx(math.sqrt(before.u**2 + 2.0 * (1.8**2 + 1.0**2)))
    residual = found.values["residual"]
    assert residual.u == pytest.approx(math.hypot(shift.u, GIVEN.paraxial_um[1]))


def test_a_subdivision_enters_as_the_fit_passes_it_on() -> None:
    here = (Term("position subdivision", 0.1, "B", None, "encoder", "arcsine"),)
    found = assess(visits(873.0, 0.0), replace(GIVEN, at_a_place=here))
    lines = {line.term: line.u for line in found.budgets["residual"]}
    assert lines["position subdivision, glass out"] == pytest.approx(0.15)
    assert lines["position subdivision, glass in"] == pytest.approx(0.15)
