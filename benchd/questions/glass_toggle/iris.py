"""How far the iris is closed, by the width of the curves: that of a closed lens is as diffraction says."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

from benchd.metrology.distribution import Shape
from benchd.optics.diffraction import f_number_of_hwhm
from benchd.optics.plate_focus import F_NUMBER_REL

CLOSED_BY = 2.0
"""Of the f-number wide open: closed by so much, a sixteenth is left of the spherical aberration, a sixteenth of a wave
at the most (`plate_focus.OWN_WAVES`), which widens the curve by less than WIDENED_REL."""

WIDENED_REL = 0.01
"""What the lens's own aberration and the fit's quintic make of the width together, at the most (own computation, f/4 to
f/8), rectangular."""


@dataclass(frozen=True, slots=True)
class Iris:
    """The f-number, its relative standard uncertainty, where that comes from with the shape of its distribution, and a
    note where it is not as stated."""

    f_number: float
    u_rel: float
    source: str
    shape: Shape
    note: str | None = None


def iris_of(
    hwhm_um: Sequence[float],
    stated: float,
    *,
    open_f_number: float,
    lp_mm: float,
    light_nm: float,
    u_frequency_rel: float,
) -> Iris:
    """From the half-widths of sweeps at one stop; as stated where the lens is not closed by two stops.

    A width goes with the f-number over the frequency, so that what the frequency is off by is in the f-number as well.
    """
    as_set = Iris(stated, F_NUMBER_REL / math.sqrt(3.0), "within a sixth of a stop", "rectangular")
    if stated < CLOSED_BY * open_f_number:
        return as_set
    try:
        found = f_number_of_hwhm(fmean(hwhm_um), lp_mm, light_nm)
    except ValueError:
        return as_set
    scatter = stdev(hwhm_um) / fmean(hwhm_um) / math.sqrt(len(hwhm_um)) if len(hwhm_um) > 1 else 0.0
    u_rel = math.hypot(u_frequency_rel, WIDENED_REL / math.sqrt(3.0), scatter)
    note = None
    if abs(found / stated - 1.0) > F_NUMBER_REL + 2.0 * u_rel:
        note = (
            f"The curves are as wide as those of f/{found:.1f}, where f/{stated:g} is stated: look whether the iris is "
            "closed as stated and the light fills it."
        )
    return Iris(found, u_rel, "width of the curves", "normal", note)
