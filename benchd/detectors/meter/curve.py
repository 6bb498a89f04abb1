"""Best focus of light through a slit: the family of its curves, by f-number, slit and wavelength, and the fit."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchd.detectors.values import CurveSeen
from benchd.metrology.peak import NoPeak
from benchd.metrology.shape_peak import Family, ShapePeak, Shapes, fit_shapes
from benchd.optics.focus_depth import half_width_um
from benchd.optics.slit import diffraction_over_slit, slit_table, slit_um_of

FOCUS_REACH, W040_REACH = 3.6, 2.0
"""How far the table goes: in geometric half-widths, of which a fit sees at most 3, and in waves."""


def fit(z_um: NDArray[np.float64], value: NDArray[np.float64], u: NDArray[np.float64], seen: CurveSeen) -> ShapePeak:
    """The fit of a slit's curve. Raises NoPeak."""
    family = family_of(diffraction_over_slit(seen.f_number, slit_um_of(seen.lp_mm), seen.light_nm))
    half_width = seen.curve_width * half_width_um(seen.f_number, seen.lp_mm)
    found = fit_shapes(z_um, value, u, half_width, family, position_u_um=seen.position_u_um)
    if found.outside:
        raise NoPeak(
            "no_maximum",
            f"The curve is not one of a slit behind a lens of up to {W040_REACH:g} waves of spherical aberration.",
        )
    return found


@lru_cache(maxsize=8)
def family_of(diffraction: float) -> Family:
    """The curves of equal slits."""
    return Family(Shapes(*slit_table(diffraction, FOCUS_REACH, W040_REACH)))
