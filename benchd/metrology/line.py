"""A straight line through points, with the covariance of its parameters (JCGM 100, H.3)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from benchd.metrology.polynomial import polynomial_fit


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope x, the standard uncertainties, their covariance, residual scatter and dof.

    `s` is the residual standard deviation: in the unit of y for an unweighted fit, in units of the points' own
    uncertainties (so near one when these are right) for a weighted one.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    s: float
    dof: int

    @property
    def correlation(self) -> float:
        scale = self.u_intercept * self.u_slope
        return self.covariance / scale if scale else 0.0

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line and its standard uncertainty at x."""
        variance = self.u_intercept**2 + (x * self.u_slope) ** 2 + 2.0 * x * self.covariance
        return self.intercept + self.slope * x, math.sqrt(max(0.0, variance))


def fit_line(x: ArrayLike, y: ArrayLike, u: ArrayLike | None = None, *, trust_u: bool = False) -> Line:
    """Least squares; `u` weights the points. The covariance is scaled by the residuals unless `trust_u` is set.

    Raises ValueError for fewer than three points (two with `trust_u`), or when all x are equal.
    """
    if trust_u and u is None:
        raise ValueError("there is no u to trust")
    fit = polynomial_fit(x, y, 1, u)
    if np.ptp(np.asarray(x, dtype=np.float64)) == 0.0:
        raise ValueError("all points stand at the same x")
    if fit.dof < 1 and not trust_u:
        raise ValueError("the scatter about a line needs at least three points")
    factor = 1.0 if trust_u else fit.chi2_per_dof
    # Back from x' = (x - centre)/scale: slope = c1/scale, intercept = c0 - c1 centre/scale.
    turn = np.array([[1.0, -fit.centre / fit.scale], [0.0, 1.0 / fit.scale]])
    intercept, slope = turn @ fit.coefficients
    covariance = factor * turn @ fit.unscaled_covariance @ turn.T
    s = math.sqrt(fit.chi2_per_dof) if fit.dof else 0.0
    return Line(
        float(intercept),
        float(slope),
        math.sqrt(covariance[0, 0]),
        math.sqrt(covariance[1, 1]),
        float(covariance[0, 1]),
        s,
        fit.dof,
    )
