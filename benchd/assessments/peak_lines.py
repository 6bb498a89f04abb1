"""Lines and notes common to all findings of a best focus."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from benchd.assessments.improvements import STATE_GAMMA
from benchd.metrology.budget import Term, standard_u

NON_LINEAR_SHIFT_UM = 0.75
"""Best focus moves by at most this times f-number squared if pictures have a video curve of exponent 2.2 and are taken
as linear: one wave of spherical aberration, the square quite dark, 20 lp/mm and up (own quadrature of the edge's
spread, f/1.4 to f/5.6; a square of 2 % moves it by .46, one of 15 % by .13, an exponent of 1.1 by a tenth). The
direction is not known, as the aberration is not."""

NON_LINEAR = "The pictures are not known to be linear in light, and best focus moves by that: see the budget."
SUBDIVISION, OF_SCREW = "position subdivision", "position periodic"
SUBDIVISION_TRANSFER = 1.5
"""How much of a periodic error of the scale reaches the peak of a quintic, at worst: a period of about one geometric
half-width imitates the curve's own shape and is amplified (own computation, f/1.4 to f/5.6: 1.3 to 1.5)."""

FLAGS: Mapping[str, str] = {
    "noisy": "Readings scatter more than their pictures explain: vibration, flicker or position noise.",
    "wide": "The curve is wider than the f-number explains: f-number, decentring, glass, or pupil not filled.",
    "two_maxima": "The curve has two maxima, and one of them is stated, not always the higher: look at the plot.",
    "off_centre": "Best focus lies off the middle of the sweep; the interval is wider for it.",
    "correlated": "Successive readings go together; the stated uncertainty may be too small.",
    "window": "A wider part of the curve puts the peak elsewhere; look at the plot.",
    "bounded": "The fit stopped where a curve's skew, width or scale can go no farther: too little light, or f-number, "
    "slit or light are not as recorded. The interval is widened by where best focus goes if width and scale go up to "
    "twice as far; of a skew beyond the fit's, or more than that, it knows nothing.",
    "floor": "How far best focus can lie was searched for and no end found: the interval may be wider than stated. "
    "Take more points, or more light.",
}
"""The text for a person of each flag of a fit."""


def non_linear_term(f_number: float) -> Term:
    """Uncertainty of best focus by a camera curve of unknown exponent, up to that of a usual video curve."""
    u = standard_u(NON_LINEAR_SHIFT_UM * f_number**2, "rectangular")
    return Term("non-linear pictures", u, "B", None, "the camera's curve is not stated", "rectangular")


def through_fit(term: Term, passed_on: float | None = None) -> Term:
    """A line of the chain or of the position, as it propagates through the fit.

    `passed_on` is how much of the scale's or screw's periodic error reaches the peak, by the fit itself; None where its
    period is not stated.
    """
    if term.term != SUBDIVISION and (term.term != OF_SCREW or passed_on is None):
        return term  # a turn of a screw is longer than a curve is wide, and passes whole
    if passed_on is None:
        times, why = SUBDIVISION_TRANSFER, "it imitates the curve"
    else:
        times, why = passed_on, "as its period passes through the fit"
    return replace(term, u=times * term.u, source=f"{term.source}, times {times:.2g}: {why}")


def non_linear_notes(linear: bool) -> tuple[str, ...]:
    """The note of a finding from pictures that are not known to be linear, and how to remove the cause."""
    return () if linear else (f"{NON_LINEAR} {STATE_GAMMA}",)
