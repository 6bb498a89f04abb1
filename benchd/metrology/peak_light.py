"""Check for enough light: half-width of best focus predicted from noise and number of points, before the fit.

The check must not use the uncertainty that a fit achieved: selecting small ones selects lucky ones, and the interval
would then hold the truth less often than stated.
"""

from __future__ import annotations

import math

from benchd.metrology.distribution import coverage_factor

TOO_LITTLE_LIGHT = 0.15
"""Predicted U over the geometric half-width above which a sweep is refused as having too little light."""

FIT_REACH = 1.1
"""Half-window of the fit in measured half-widths at half height."""

COUNTED_REACH = 1.05
"""The stated number of points lies within +- this many geometric half-widths."""


def predicted_U_um(relative_sd: float, n_inside: float, half_width_um: float, hwhm_ratio: float = 1.07) -> float:
    """Half-width in um of the 95 % interval of a quintic's peak.

    `relative_sd` is the standard deviation of one modulation over the peak modulation, `n_inside` the number of
    points within +-1.05 geometric half-widths `half_width_um`, `hwhm_ratio` the true half-width at half height over
    the geometric one. Infinite where the fit would have no degrees of freedom.

    The law has no fitted constant. For m points spread evenly over |x| <= 1 the slope of a quintic at the middle
    has the variance s^2/m sum_{k=1,3,5} (2k+1) P_k'(0)^2 = 57.4 s^2/m (Legendre polynomials); a blur disc's
    modulation falls from its peak as 1 - q^2/8, which is half height at q = 2.215, so its second derivative is
    1.227/HWHM^2. With the window 1.1 HWHM: u = 5.62 s HWHM / sqrt(m), and U = t(m - 6) u.
    """
    m = n_inside * FIT_REACH * hwhm_ratio / COUNTED_REACH
    if not (relative_sd >= 0.0 and half_width_um > 0.0):
        raise ValueError("noise must not be negative and the half-width must be above zero")
    if m <= 6.0:
        return math.inf
    slope = math.sqrt(3.0 + 7.0 * 1.5**2 + 11.0 * (15.0 / 8.0) ** 2)
    bend = 2.215089**2 / 4.0
    u = relative_sd * slope / (bend * FIT_REACH) * hwhm_ratio * half_width_um / math.sqrt(m)
    return coverage_factor(m - 6.0) * u
