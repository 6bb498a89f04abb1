"""Best focus of light through a slit: the family of its curves, by f-number, slit and wavelength, and the fit."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri

from benchd.detectors.values import CurveSeen
from benchd.metrology.peak import NoPeak
from benchd.metrology.shape_family import Family, Shapes
from benchd.metrology.shape_peak import ShapePeak, fit_shapes
from benchd.optics.focus_depth import half_width_um
from benchd.optics.slit import diffraction_over_slit, slit_table, slit_um_of

Floats = NDArray[np.float64]

FOCUS_REACH, W040_REACH = 3.6, 2.0
"""How far the table goes: in geometric half-widths, of which a fit sees at most 3, and in waves."""

SUSPICIOUS = 2.0
"""Chi-square per degree of freedom from which another family is tried."""
TWICE, BY_CHANCE = 2.0, 0.001

U_OF_FAMILY = 1e-3
"""How far, in geometric half-widths (1 sd), the fit's curve peaks beside the true one, by what the family leaves out:
colours over 20 nm, a tenth of a wave of higher order, an f-number off by 2 %, slits that differ by 1 % of their widths,
and the steps of its table (own computation against the simulators' optics, f/2 to f/5.6, slits of 10 and 25 um: 5e-4 to
1e-3 each). It is 0.13 um at f/2.8 and 20 um."""


def fit(z_um: Floats, value: Floats, u: Floats, seen: CurveSeen) -> ShapePeak:
    """The fit of a slit's curve. Raises NoPeak, for a curve that is none of equal slits as well.

    Of readings in motion each is the mean over its way. How far the amplifier smears beyond the integration is known as
    a bound only: the mean square of the way is taken in the middle between the least and the most.
    """
    return _fit_over(z_um, value, u, seen, math.hypot(seen.least_way_um, seen.way_um) * math.sqrt(0.5))


def blurred_by_um(z_um: Floats, value: Floats, u: Floats, seen: CurveSeen) -> float:
    """How far that may be off, were nothing smeared or as much as can be. Raises NoPeak."""
    least, most = (_fit_over(z_um, value, u, seen, way_um).peak_um for way_um in (seen.least_way_um, seen.way_um))
    return 0.5 * abs(most - least)


def _fit_over(z_um: Floats, value: Floats, u: Floats, seen: CurveSeen, way_um: float) -> ShapePeak:
    diffraction = diffraction_over_slit(seen.f_number, slit_um_of(seen.lp_mm), seen.light_nm)
    half_width = seen.curve_width * half_width_um(seen.f_number, seen.lp_mm)

    def fitted(ratio: float) -> ShapePeak:
        family = family_of(diffraction, ratio, round(way_um / half_width, 4))
        return fit_shapes(z_um, value, u, half_width, family, position_u_um=seen.position_u_um, spent=seen.latencies)

    found = fitted(1.0)
    if found.chi2_per_dof > SUSPICIOUS and _fits_better(fitted, found):
        raise NoPeak(
            "flat_top",
            "The slit widths differ, or the image falls beside the slit: the curve has a flat top, and where that has "
            "its middle says nothing of focus.",
        )
    if found.outside:
        raise NoPeak(
            "outside",
            f"The curve is not one of a slit behind a lens of up to {W040_REACH:g} waves of spherical aberration.",
        )
    return found


def _fits_better(fitted: Callable[[float], ShapePeak], found: ShapePeak) -> bool:
    """Whether slits of which one is twice as wide explain the curve better than equal ones, by far more than chance
    (variance ratio, F distribution)."""
    try:
        other = fitted(TWICE)
    except NoPeak:
        return False
    by_chance = fdtri(float(other.dof), float(found.dof), 1.0 - BY_CHANCE)
    return found.chi2_per_dof > float(by_chance) * other.chi2_per_dof


@lru_cache(maxsize=8)
def family_of(diffraction: float, ratio: float, way: float = 0.0) -> Family:
    """The curves of slits of which one is so many times as wide, over a way in geometric half-widths."""
    return Family(Shapes(*slit_table(diffraction, FOCUS_REACH, W040_REACH, ratio=ratio)), U_OF_FAMILY, way)
