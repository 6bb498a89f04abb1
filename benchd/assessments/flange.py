"""How far from nominal is best focus, how sure is that, does it pass, and which shim mends it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import sqrt
from typing import Any

from benchd.assessments.finding import Finding
from benchd.assessments.lines import as_budget, as_value
from benchd.metrology.budget import Term, combine
from benchd.metrology.decision import RULE, Verdict, acceptance, decide, improvement
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
STATE_GAMMA = (
    "Say `linear: true` at the camera in the bench file where they are, or state there the `gamma` of its curve "
    "(2.2 for a usual video curve, 1 for a JPEG that is linear)."
)

SUBDIVISION = "position subdivision"
SUBDIVISION_TRANSFER = 1.5
"""How much of a periodic error of the scale reaches the peak of a quintic, at worst: a period of about one geometric
half-width imitates the curve's own shape and is amplified (own computation, f/1.4 to f/5.6: 1.3 to 1.5)."""


@dataclass(frozen=True, slots=True)
class FlangeInput:
    """What the assessment needs beside the curve.

    `chain` are the terms of the datum chain as contributions to the focus error (um); `why_relative` are clauses that
    say why nominal is not known, none where it is; `linear` is false where a picture was not linear in light.
    `tolerance_um` is symmetric about nominal, None where none is stated.
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
    u = NON_LINEAR_SHIFT_UM * f_number**2 / sqrt(3.0)
    return Term("non-linear pictures", u, "B", None, "the camera's curve is not stated", "rectangular")


def through_fit(term: Term) -> Term:
    """A line of the chain or of the position as the fit passes it on."""
    return replace(term, u=SUBDIVISION_TRANSFER * term.u) if term.term == SUBDIVISION else term


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
            "verdict": None if verdict is None else _verdict(verdict, terms),
            "advice": _advice(fit.peak_um, given) if absolute else None,
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
        how = HOW.get(step.dominant.split(" ")[0], "improve this line of the budget")
        if step.u_needed is None:
            how += "; this line alone will not decide it, the value is too near a limit"
        doc["next"] = {"dominant": step.dominant, "u_needed_um": step.u_needed, "how": how}
    return doc


HOW: Mapping[str, str] = {
    "conjugate": "collimate, or measure m and the distance to the wall better",
    "sweep": "take more readings or give more light",
    "base": "calibrate bench_zero again, with more remounts",
    "adapter": "calibrate adapter_length, with more remounts",
    "joints": "clean the seats; a gauge study states the joints better",
    "glass": "measure the plate's thickness and index",
    "thermal": "let the bench settle nearer 20 °C, or measure its temperature better",
    "position": "work nearer the carriage position of the base calibration",
    "frequency": "measure the target's pitch",
    "non-linear": STATE_GAMMA[0].lower() + STATE_GAMMA[1:-1],
}
"""What improves a line of the budget, by the first word of its name."""


def _advice(error_um: float, given: FlangeInput) -> dict[str, Any]:
    mend = advice(error_um, given.stock_um, given.fitted_um)
    return {
        "shim_um": mend.shim_um,
        "from_stock": list(mend.fit),
        "remove": list(mend.remove),
        "residual_um": mend.residual_um,
        "fitted_um": list(given.fitted_um),
    }


FLAGS: Mapping[str, str] = {
    "noisy": "Readings scatter more than their pictures explain: vibration, flicker or position noise.",
    "wide": "The curve is wider than the f-number explains: f-number, decentring, glass, or pupil not filled.",
    "two_maxima": "The curve has two maxima; the higher one is stated.",
    "off_centre": "Best focus lies off the middle of the sweep; the interval is wider for it.",
    "correlated": "Successive readings go together; the stated uncertainty may be too small.",
    "window": "A wider part of the curve puts the peak elsewhere; look at the plot.",
}
"""What the flags of a fit say to a person."""


def could_pass_nothing(chain: Sequence[Term], tolerance_um: float) -> bool:
    """Whether no lens whatever could pass at +- `tolerance_um`, by the chain's lines alone; asked before a sweep."""
    return acceptance(combine(chain), -tolerance_um, tolerance_um) is None
