"""The focus error of a lens from the peak of its curve and the datum chain: pure numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchd.assessments.finding import Finding
from benchd.assessments.improvements import advice_for
from benchd.assessments.judged import judged, with_own_advice
from benchd.assessments.lines import as_budget, as_value
from benchd.assessments.peak_lines import FLAGS, non_linear_notes, non_linear_term, through_fit
from benchd.detectors.registry import scale_from
from benchd.metrology.budget import Expanded, Term, combine
from benchd.metrology.decision import outcome, probability_of_conformity
from benchd.metrology.shims import advice
from benchd.questions.flange.more_readings import more_readings
from benchd.questions.flange.seatings import JOINTS, Peak, Seating, as_table, how_often, of_joints

FREQUENCY_SHIFT_UM = 0.0095
"""Best focus moves by at most this times f-number squared for 1 % of frequency, at one wave of spherical
aberration (own quadrature of the through-focus curve, f/1.4 to f/8)."""


@dataclass(frozen=True, slots=True)
class FlangeInput:
    """Inputs of the assessment beside the curve.

    `chain` are the terms of the datum chain as contributions to the focus error (um); `why_relative` are clauses saying
    why nominal is not known, empty if it is; `linear` is false if a picture was not linear in light. `tolerance_um` is
    symmetric about nominal, None if not stated. `other_glass` is a clause saying which glass was behind it instead
    of the one it was designed for, None if that one was. `seatings` are those that the peak is the mean of, where the
    lens was taken off and put back, and `pairs` the number of pairs of seats in the chain's line of joints.
    `passed_on` is how much of the scale's periodic error reaches the peak, None where its period is not stated;
    `timing` are the lines of sweeps that were taken in motion.
    """

    run: str
    setup: int
    lens: str | None
    chain: Sequence[Term]
    why_relative: Sequence[str]
    measurand: Mapping[str, Any]
    f_number: float
    u_frequency_rel: float
    tolerance_um: float | None
    stock_um: Sequence[float]
    fitted_um: Sequence[float]
    glass_residual: tuple[float, float] | None
    calibrations: Sequence[str]
    indices: tuple[int, int]
    at: str
    version: str
    job: str | None = None
    notes: Sequence[str] = field(default_factory=tuple)
    linear: bool = True
    other_glass: str | None = None
    seatings: Sequence[Seating] = ()
    pairs: int = 1
    passed_on: float | None = None
    timing: Sequence[Term] = ()


def budget_terms(fit: Peak, given: FlangeInput, chain: Sequence[Term]) -> list[Term]:
    """The lines of the budget of the focus error: the sweep, the frequency, and those of the datum chain above zero."""
    terms = [Term("sweep", fit.u_um, "A", float(fit.dof), given.run)]
    shift = FREQUENCY_SHIFT_UM * given.f_number**2 * 100.0 * given.u_frequency_rel
    terms.extend(given.timing)
    terms.append(Term("frequency", shift, "B", None, scale_from(given.measurand.get("merit"))))
    if not given.linear:
        terms.append(non_linear_term(given.f_number))
    terms.extend(through_fit(term, given.passed_on) for term in chain if term.u > 0.0)
    return terms


def assess(fit: Peak, given: FlangeInput) -> Finding:
    """The finding `flange` from a through-focus fit in offset coordinates (um).

    The focus error is the offset of the peak. A relative finding (nominal not known) carries the value and its
    budget, and neither verdict nor advice.
    """
    chain, at_odds = of_joints(given.chain, given.seatings, given.pairs, given.run)
    terms = budget_terms(fit, given, chain)
    expanded = combine(terms)
    absolute = not given.why_relative
    verdict: dict[str, Any] | None = None
    if absolute and given.tolerance_um is not None:
        limits = -given.tolerance_um, given.tolerance_um
        found = judged("focus_error", fit.peak_um, expanded, terms, limits)
        verdict = (with_own_advice(found, _seated_anew(found, given)) or {}) | _condition(given)
    values = {"focus_error": as_value(fit.peak_um, expanded, "um")}
    if given.glass_residual is not None:
        residual, u = given.glass_residual
        values["glass_residual"] = {"value": residual, "unit": "um", "u": u, "dof": None, "k": None, "U": None}
    return Finding.model_validate(
        {
            "finding": "",
            "assessment": "flange",
            "run": given.run,
            "setup": given.setup,
            "lens": given.lens,
            "job": given.job,
            "at": given.at,
            "version": given.version,
            "measurand": dict(given.measurand),
            "absolute": absolute,
            "why_relative": list(given.why_relative),
            "values": values,
            "budgets": {"focus_error": as_budget(terms)},
            "verdict": verdict,
            "advice": _advice(fit.peak_um, expanded, given) if absolute else None,
            "more_readings": more_readings(terms, fit.peak_um, verdict),
            "tables": as_table(given.seatings),
            "notes": [
                *given.notes,
                *([at_odds] if at_odds else []),
                *non_linear_notes(given.linear),
                *(FLAGS[flag] for flag in fit.flags),
            ],
            "readings": {"run": given.run, "indices": list(given.indices)},
            "calibrations": list(given.calibrations),
        }
    )


def _seated_anew(verdict: Mapping[str, Any], given: FlangeInput) -> dict[str, str]:
    """Advice on the line of the joints: to seat the lens more often, and how often, where that would do."""
    step = verdict["next"]
    line = next((term for term in given.chain if term.term == JOINTS), None)
    if step is None or step["u_needed_um"] is None or step["dominant"] != JOINTS or line is None:
        return {}
    often = how_often(line, given.pairs, step["u_needed_um"])
    if often is None:
        return {}
    study = advice_for(JOINTS, None)
    return {JOINTS: f"{study}, or take the mean of {often} seatings of the lens: next_lens reseat={often - 1}"}


def _condition(given: FlangeInput) -> dict[str, str]:
    """The condition of the verdict, if glass itself moves best focus by a large part of the tolerance; else empty."""
    if given.glass_residual is None or not _glass_residual_is_large(given):
        return {}
    residual, u = given.glass_residual
    glass = "the glass fitted" if given.measurand.get("glass") else "the cover over the target"
    with_ = given.other_glass or f"with {glass}"
    return {
        "condition": f"as measured {with_}: at f/{given.f_number:g} that glass alone moves best focus by "
        f"{residual:+.1f} µm (u = {u:.1f}), which is part of the focus error"
    }


def _glass_residual_is_large(given: FlangeInput) -> bool:
    """Whether the residual of glass that the lens was not designed for (a pane or the target's cover) is that large."""
    if given.glass_residual is None or given.tolerance_um is None:
        return False
    return abs(given.glass_residual[0]) > CONDITION_SHARE * given.tolerance_um


CONDITION_SHARE = 0.25
"""A residual above this share of the tolerance is stated with the verdict (common practice, no source)."""


def _advice(error_um: float, expanded: Expanded, given: FlangeInput) -> dict[str, Any]:
    nothing = {"shim_um": None, "from_stock": None, "residual_um": None, "fitted_um": list(given.fitted_um)}
    if given.other_glass:
        return nothing | {"why": f"it was measured {given.other_glass}"}
    if _glass_residual_is_large(given):
        return nothing | {"why": "part of the focus error is of glass that the lens was not designed for"}
    mend = advice(error_um, given.stock_um, given.fitted_um)
    if mend.gain_um < expanded.U:
        return nothing | {"why": f"no change from stock gains as much as U, {expanded.U:.1f} µm"}
    return {
        "shim_um": mend.shim_um,
        "from_stock": list(mend.fit),
        "remove": list(mend.remove),
        "residual_um": mend.residual_um,
        "fitted_um": list(given.fitted_um),
        "total_um": sum(mend.after_um),
        "foretold": _foretold(mend.residual_um, expanded, given.tolerance_um),
    }


def _foretold(residual_um: float, expanded: Expanded, tolerance_um: float | None) -> dict[str, Any] | None:
    """The verdict on what would be left over: by this finding's own uncertainty, as most of it stays the same."""
    if tolerance_um is None:
        return None
    p = probability_of_conformity(residual_um, expanded.distribution, -tolerance_um, tolerance_um)
    return {"is": outcome(p), "p_conform": p}
