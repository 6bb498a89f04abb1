"""The flange finding: what it adds up, what it says, and when it says nothing."""

from __future__ import annotations

import dataclasses
from math import erf

import numpy as np
import pytest

from benchd.arrangements.wall import Wall
from benchd.assessments.improvements import CHAIN as OF_THE_CHAIN
from benchd.assessments.improvements import CURVE, STATE_GAMMA
from benchd.assessments.judged import with_own_advice
from benchd.assessments.peak_lines import NON_LINEAR, NON_LINEAR_SHIFT_UM
from benchd.metrology.budget import Part, Term
from benchd.metrology.decision import AGAIN
from benchd.metrology.peak import PeakFit, fit_peak
from benchd.questions.flange.assessment import (
    FlangeInput,
    assess,
)

CHAIN = (
    Term("conjugate", 1.5, "B", None, "tape"),
    Term("base", 0.7, "B", 300.0, "cal-1"),
    Term("joints", 1.0, "B", None, "bench file"),
    Term("glass pane-25", 0.9, "B", None, "record"),
)


def fit_at(peak_um: float) -> PeakFit:
    """A smooth curve with a known peak and a little noise, drawn once."""
    rng = np.random.default_rng(5)
    z = rng.permutation(np.linspace(peak_um - 55.0, peak_um + 55.0, 41))
    value = 0.8 * np.exp(-np.log(2.0) * ((z - peak_um) / 37.0) ** 2) + rng.normal(0.0, 5e-4, z.size)
    return fit_peak(z, value, 5e-4, 35.0)


def given(**changes: object) -> FlangeInput:
    plain = FlangeInput(
        run="r-0003",
        setup=14,
        lens="L-0417",
        chain=CHAIN,
        why_relative=(),
        measurand={"arrangement": "wall", "ring": "infinity", "f_number": 2.0, "merit": "edge", "lp_mm": 40.0},
        f_number=2.0,
        u_frequency_rel=5e-4,
        tolerance_um=10.0,
        stock_um=(10, 20, 50, 100),
        fitted_um=(50,),
        glass_residual=(0.0, 0.0),
        calibrations=("cal-1",),
        indices=(0, 40),
        at="2031-04-05T09:20:02Z",
        version="0",
        notes=("A note.",),
    )
    return dataclasses.replace(plain, **changes)  # type: ignore[arg-type]


def test_budget_is_the_sweep_and_the_chain_and_adds_up_by_squares() -> None:
    fit = fit_at(2.0)
    finding = assess(fit, given())
    error = finding.values["focus_error"]
    assert error.value == fit.peak_um
    terms = {line.term: line.u for line in finding.budgets["focus_error"]}
    assert terms["sweep"] == fit.u_um
    assert {"conjugate", "base", "joints", "glass pane-25", "frequency"} <= set(terms)
    assert error.u == pytest.approx(
        np.hypot(np.hypot(fit.u_um, terms["frequency"]), (1.5**2 + 0.7**2 + 1 + 0.81) ** 0.5)
    )
    assert [line.u for line in finding.budgets["focus_error"]] == sorted(terms.values(), reverse=True)
    # JCGM 100, G.2b: what a fit of few points and a base of few remounts are worth reaches the interval.
    assert {line.term: line.dof for line in finding.budgets["focus_error"] if line.dof} == {
        "sweep": fit.dof,
        "base": 300.0,
    }
    few = assess(dataclasses.replace(fit, u_um=3.0, dof=4), given()).values["focus_error"]
    assert few.u is not None
    assert few.dof == pytest.approx(few.u**4 / (3.0**4 / 4.0 + 0.7**4 / 300.0))


@pytest.mark.parametrize(
    ("peak", "verdict"),
    [(2.0, "pass"), (-3.0, "pass"), (9.0, "undecided"), (-9.0, "undecided"), (21.0, "fail"), (-21.0, "fail")],
)
def test_verdict_follows_value_and_uncertainty(peak: float, verdict: str) -> None:
    finding = assess(fit_at(peak), given())
    assert finding.verdict is not None
    assert finding.verdict.is_ == verdict
    assert (finding.verdict.next is not None) == (verdict == "undecided")


def test_a_value_in_the_middle_is_judged_by_both_limits() -> None:
    """At u = 5.2 a lens at nominal is beyond either limit of 10 with .027 each: by one of them alone it passed."""
    fit = fit_at(0.0)
    finding = assess(fit, given(chain=(Term("conjugate", 5.2, "B", None, "tape"),)))
    assert finding.verdict is not None
    u = finding.values["focus_error"].u
    assert u == pytest.approx(5.2, abs=0.1)
    # JCGM 106, 7.2, of a value in the middle.
    assert finding.verdict.p_conform == pytest.approx(erf(10.0 / (2.0**0.5 * u)), abs=1e-3)
    assert finding.verdict.is_ == "undecided"
    assert (finding.verdict.low, finding.verdict.high) == (-10.0, 10.0)
    # 10 over the 97.5 % point of a normal distribution: .95 then lies within both limits; a percent is kept back.
    step = finding.verdict.next
    assert step is not None
    assert step.u_needed_um == pytest.approx(10.0 / 1.95996 / AGAIN, rel=0.01)


def test_undecided_names_the_line_that_stands_in_the_way() -> None:
    finding = assess(fit_at(7.0), given())
    assert finding.verdict is not None
    assert finding.verdict.next is not None
    step = finding.verdict.next
    assert (step.dominant, step.part) == ("conjugate", None)
    assert step.u_needed_um is not None
    # JCGM 106: one-sided 1.645 u fits into the 3 um to the limit at u = 1.82; the other lines take 1.52 of it.
    assert step.u_needed_um == pytest.approx(((1.824 / AGAIN) ** 2 - 0.7**2 - 1.0 - 0.81) ** 0.5, abs=0.06)
    told = with_own_advice(finding.as_json()["verdict"], Wall.improves)
    assert told is not None
    assert told["next"] == {**finding.as_json()["verdict"]["next"], "how": "collimate"}
    # The interval of 95 % about the value, as wide as what one-sided 95 % leaves to the limit, and a percent kept back.
    value = finding.values["focus_error"].value
    assert value is not None
    assert step.U_then_um == pytest.approx(1.95996 / 1.64485 * (10.0 - value) / AGAIN, rel=2e-3)


def test_where_no_line_decides_alone_the_U_that_would_is_told() -> None:
    """JCGM 106: a value .5 um from the limit needs 1.645 u inside that, whatever is improved; less a percent."""
    finding = assess(fit_at(9.5), given())
    assert finding.verdict is not None
    step = finding.verdict.next
    assert step is not None
    assert step.u_needed_um is None
    value = finding.values["focus_error"].value
    assert value is not None
    assert step.U_decides_um == pytest.approx(1.95996 / 1.64485 * (10.0 - value) / AGAIN, rel=5e-3)


def test_what_is_advised_is_the_part_that_helps_and_what_can_come_into_force() -> None:
    """A gauge study was advised, which nothing could put in force."""
    parts = (Part("m", 1.1), Part("gap", 1.0), Part("distance", 0.3))
    line = Term("conjugate", np.hypot(np.hypot(1.1, 1.0), 0.3), "B", None, "m and distance measured", parts=parts)
    finding = assess(fit_at(7.1), given(chain=(line, *CHAIN[2:3])))
    assert finding.verdict is not None
    assert finding.verdict.next is not None
    step = finding.verdict.next
    assert (step.dominant, step.part) == ("conjugate", "m")
    told = with_own_advice(finding.as_json()["verdict"], Wall.improves)
    assert told is not None
    assert "stick two marks on the wall" in told["next"]["how"]
    assert [part.name for part in finding.budgets["focus_error"][0].parts] == ["m", "gap", "distance"]
    known = (*OF_THE_CHAIN.values(), *CURVE.values(), *Wall.improves.values())
    assert not [how for how in known if "gauge study" in how]


@pytest.mark.parametrize(("peak", "shim"), [(5.9, None), (19.0, 20.0), (-31.0, -30.0), (1.0, None)])
def test_a_shim_is_advised_only_where_it_gains_at_least_U(peak: float, shim: float | None) -> None:
    """PASS at +5.9 with U 4.3 also said 'Fit 10 um', which would have left -4.1."""
    finding = assess(fit_at(peak), given())
    assert finding.advice is not None
    assert finding.advice.shim_um == shim
    if shim is None:
        assert (finding.advice.from_stock, finding.advice.residual_um) == (None, None)
        assert finding.advice.why is not None
        assert "gains as much as U" in finding.advice.why
    else:
        assert finding.advice.total_um == 50 + shim


def test_a_lens_judged_on_other_glass_than_its_own_has_its_condition_named_and_no_shim() -> None:
    """FAIL with 'Fit 10' stood beside a residual of 15.1 that explained it: a pane left in by mistake."""
    other = "with glass pane-25, while its record names none that it was designed for"
    finding = assess(fit_at(21.0), given(glass_residual=(15.1, 2.7), other_glass=other))
    assert finding.verdict is not None
    assert finding.verdict.is_ == "fail"
    assert finding.verdict.condition is not None
    assert finding.verdict.condition.startswith(
        f"as measured {other}: at f/2 that glass alone moves best focus by +15.1"
    )
    assert finding.advice is not None
    assert (finding.advice.shim_um, finding.advice.from_stock) == (None, None)
    assert finding.advice.why == f"it was measured {other}"
    # The target's own cover is in no set-up; what it leaves counts all the same.
    covered = assess(fit_at(21.0), given(glass_residual=(15.1, 2.7)))
    assert covered.verdict is not None
    assert covered.verdict.condition is not None
    assert covered.advice is not None
    assert (covered.advice.shim_um, covered.advice.from_stock) == (None, None)
    assert covered.advice.why == "part of the focus error is of glass that the lens was not designed for"
    small = assess(fit_at(21.0), given(glass_residual=(2.4, 0.5)))
    assert small.verdict is not None
    assert small.verdict.condition is None
    assert small.advice is not None
    assert small.advice.shim_um == 20


def test_why_subdivision_counts_more_here_than_in_the_chain_stands_beside_it() -> None:
    """The chain said .11 and the budget .16 for the same thing."""
    chain = (*CHAIN, Term("position subdivision", 0.11, "B", None, "encoder", "arcsine"))
    (line,) = [
        line
        for line in assess(fit_at(2.0), given(chain=chain)).budgets["focus_error"]
        if line.term == "position subdivision"
    ]
    assert line.u == pytest.approx(0.165)
    assert line.source == "encoder, times 1.5: it imitates the curve"


def test_pictures_that_are_not_linear_cost_a_line_and_a_note() -> None:
    plain, labelled = assess(fit_at(8.0), given()), assess(fit_at(8.0), given(linear=False))
    (line,) = [line for line in labelled.budgets["focus_error"] if line.term == "non-linear pictures"]
    assert line.u == pytest.approx(NON_LINEAR_SHIFT_UM * 2.0**2 / 3**0.5)
    assert line.shape == "rectangular"
    u, wider = plain.values["focus_error"].u, labelled.values["focus_error"].u
    assert u is not None
    assert wider == pytest.approx(np.hypot(u, line.u))
    assert set(labelled.notes) - set(plain.notes) == {f"{NON_LINEAR} {STATE_GAMMA}"}
    assert "gamma" in STATE_GAMMA


def test_a_relative_finding_has_neither_verdict_nor_advice() -> None:
    finding = assess(fit_at(2.0), given(why_relative=("the ring stands free",)))
    assert not finding.absolute
    assert finding.why_relative == ["the ring stands free"]
    assert finding.verdict is None
    assert finding.advice is None
    assert finding.values["focus_error"].U is not None


def test_deeper_is_mended_by_adding_and_shallower_by_removing() -> None:
    deep, shallow = assess(fit_at(19.0), given()), assess(fit_at(-31.0), given())
    assert deep.advice is not None
    assert shallow.advice is not None
    assert (deep.advice.shim_um, deep.advice.from_stock) == (20, [20])
    assert (shallow.advice.shim_um, shallow.advice.from_stock, shallow.advice.remove) == (-30, [20], [50])
