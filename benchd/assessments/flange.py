"""How far from nominal is best focus, how sure is that, does it pass, and which shim mends it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from benchd.assessments.betterment import STATE_GAMMA, how
from benchd.assessments.finding import Finding
from benchd.assessments.lines import as_budget, as_value
from benchd.metrology.budget import Term, combine, standard_u
from benchd.metrology.decision import RULE, Improvement, Verdict, acceptance, decide, improvement
from benchd.metrology.peak import PeakFit
from benchd.metrology.shims import advice

FREQUENCY_SHIFT_UM = 0.0095
"""Best focus moves by at most this times f-number squared for 1 % of frequency, at one wave of spherical
aberration (own quadrature of the through-focus curve, f/1.4 to f/8)."""

NON_LINEAR_SHIFT_UM = 0.75
"""Best focus moves by at most this times f-number squared where pictures went through a video curve of exponent 2.2
and are taken as linear: one wave of spherical aberration, the square quite dark, 20 lp/mm and up (own quadrature of
the edge's spread, f/1.4 to f/5.6; a square of 2 % moves it by .46, one of 15 % by .13, an exponent of 1.1 by a tenth).
Which way is not known, as the aberration is not."""

NON_LINEAR = "The pictures are not known to be linear in light, and best focus moves by that: see the budget."
SUBDIVISION = "position subdivision"
SUBDIVISION_TRANSFER = 1.5
"""How much of a periodic error of the scale reaches the peak of a quintic, at worst: a period of about one geometric
half-width imitates the curve's own shape and is amplified (own computation, f/1.4 to f/5.6: 1.3 to 1.5)."""


@dataclass(frozen=True, slots=True)
class FlangeInput:
    """What the assessment needs beside the curve.

    `chain` are the terms of the datum chain as contributions to the focus error (um); `why_relative` are clauses that
    say why nominal is not known, none where it is; `linear` is false where a picture was not linear in light.
    `tolerance_um` is symmetric about nominal, None where none is stated. `other_glass` says in a clause which glass
    stood behind the lens instead of the one it was designed for, None where that one did.
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


def budget_terms(fit: PeakFit, given: FlangeInput) -> list[Term]:
    """The lines of the budget of the focus error: the sweep, the frequency, and the datum chain where it counts."""
    terms = [Term("sweep", fit.u_um, "A", float(fit.dof), given.run)]
    shift = FREQUENCY_SHIFT_UM * given.f_number**2 * 100.0 * given.u_frequency_rel
    terms.append(Term("frequency", shift, "B", None, "pitch of the target"))
    if not given.linear:
        terms.append(non_linear_term(given.f_number))
    terms.extend(through_fit(term) for term in given.chain if term.u > 0.0)
    return terms


def non_linear_term(f_number: float) -> Term:
    """What a curve of unknown exponent, up to a usual video curve's, may do to best focus."""
    u = standard_u(NON_LINEAR_SHIFT_UM * f_number**2, "rectangular")
    return Term("non-linear pictures", u, "B", None, "the camera's curve is not stated", "rectangular")


def through_fit(term: Term) -> Term:
    """A line of the chain or of the position as the fit passes it on."""
    if term.term != SUBDIVISION:
        return term
    u, source = SUBDIVISION_TRANSFER * term.u, f"{term.source}, times {SUBDIVISION_TRANSFER:g}: it imitates the curve"
    return replace(term, u=u, source=source)


def assess(fit: PeakFit, given: FlangeInput) -> Finding:
    """The finding `flange` from a through-focus fit in offset coordinates (um).

    The focus error is the offset of the peak. A relative finding (nominal not known) carries the value and its
    budget, and neither verdict nor advice.
    """
    terms = budget_terms(fit, given)
    expanded = combine(terms)
    absolute = not given.why_relative
    verdict: Verdict | None = None
    if absolute and given.tolerance_um is not None:
        verdict = decide(fit.peak_um, expanded, -given.tolerance_um, given.tolerance_um)
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
            "budget": as_budget(terms),
            "verdict": None if verdict is None else _verdict(verdict, terms) | _condition(given),
            "advice": _advice(fit.peak_um, expanded.U, given) if absolute else None,
            "notes": [*given.notes, *non_linear_notes(given.linear), *(FLAGS[flag] for flag in fit.flags)],
            "readings": {"run": given.run, "indices": list(given.indices)},
            "calibrations": list(given.calibrations),
        }
    )


def non_linear_notes(linear: bool) -> tuple[str, ...]:
    """The label of a finding from pictures that are not known to be linear, and what to write to be rid of it."""
    return () if linear else (f"{NON_LINEAR} {STATE_GAMMA}",)


def _verdict(verdict: Verdict, terms: Sequence[Term]) -> dict[str, Any]:
    doc: dict[str, Any] = {
        "is": verdict.is_,
        "value": "focus_error",
        "low": verdict.low,
        "high": verdict.high,
        "unit": "um",
        "p_conform": verdict.p_conform,
        "rule": RULE,
        "next": None,
    }
    if verdict.is_ == "undecided":
        step = improvement(verdict.value, terms, verdict.low, verdict.high)
        told = how(step.dominant, step.part)
        if step.u_needed is None:
            told += "; this alone will not decide it, the value is too near a limit"
        doc["next"] = {"dominant": step.dominant, "part": step.part, "u_needed_um": step.u_needed, "how": told}
    return doc


def _condition(given: FlangeInput) -> dict[str, str]:
    """What the verdict holds under, where the plate itself moves best focus by a good part of the tolerance."""
    if given.glass_residual is None or not _moved_by_glass(given):
        return {}
    residual, u = given.glass_residual
    with_ = given.other_glass or "with the glass fitted"
    return {
        "condition": f"as measured {with_}: at f/{given.f_number:g} that glass alone moves best focus by "
        f"{residual:+.1f} µm (u = {u:.1f}), which is part of the focus error"
    }


def _moved_by_glass(given: FlangeInput) -> bool:
    """Whether glass that the lens was not designed for, be it a pane or the target's cover, leaves so much."""
    if given.glass_residual is None or given.tolerance_um is None:
        return False
    return abs(given.glass_residual[0]) > CONDITION_SHARE * given.tolerance_um


CONDITION_SHARE = 0.25
"""From this share of the tolerance on what a plate leaves stands beside the verdict (common practice, no source)."""


def _advice(error_um: float, U_um: float, given: FlangeInput) -> dict[str, Any]:
    nothing = {"shim_um": None, "from_stock": None, "residual_um": None, "fitted_um": list(given.fitted_um)}
    if given.other_glass:
        return nothing | {"why": f"it was measured {given.other_glass}"}
    if _moved_by_glass(given):
        return nothing | {"why": "part of the focus error is of glass that the lens was not designed for"}
    mend = advice(error_um, given.stock_um, given.fitted_um)
    if mend.gain_um < U_um:
        return nothing | {"why": f"no change from stock gains as much as U, {U_um:.1f} µm"}
    return {
        "shim_um": mend.shim_um,
        "from_stock": list(mend.fit),
        "remove": list(mend.remove),
        "residual_um": mend.residual_um,
        "fitted_um": list(given.fitted_um),
        "total_um": sum(mend.after_um),
    }


FLAGS: Mapping[str, str] = {
    "noisy": "Readings scatter more than their pictures explain: vibration, flicker or position noise.",
    "wide": "The curve is wider than the f-number explains: f-number, decentring, glass, or pupil not filled.",
    "two_maxima": "The curve has two maxima, and one of them is stated, not always the higher: look at the plot.",
    "off_centre": "Best focus lies off the middle of the sweep; the interval is wider for it.",
    "correlated": "Successive readings go together; the stated uncertainty may be too small.",
    "window": "A wider part of the curve puts the peak elsewhere; look at the plot.",
}
"""What the flags of a fit say to a person."""


def could_pass_nothing(chain: Sequence[Term], tolerance_um: float) -> Improvement | None:
    """What keeps any lens whatever from passing at +- `tolerance_um`, by the chain's lines alone; asked before a sweep.

    What is told is what would let the best there can be pass, one without a focus error. None: some lens could pass.
    """
    if acceptance(combine(chain), -tolerance_um, tolerance_um) is not None:
        return None
    return improvement(0.0, chain, -tolerance_um, tolerance_um)
