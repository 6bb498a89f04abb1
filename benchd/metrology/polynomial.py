"""Weighted least squares with a polynomial, in a basis scaled to the data so that no digits are lost."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PolynomialFit:
    """y = sum c_k x^k with x = (z - centre) / scale.

    `unscaled_covariance` is that of the coefficients for weights taken as true variances; times `chi2_per_dof` it is
    the residual-scaled one. `dof` is the number of points less that of coefficients; `chi2_per_dof` is NaN for dof 0.
    """

    coefficients: FloatArray
    centre: float
    scale: float
    unscaled_covariance: FloatArray
    chi2: float
    dof: int

    @property
    def chi2_per_dof(self) -> float:
        return self.chi2 / self.dof if self.dof else math.nan

    def __call__(self, z: ArrayLike) -> FloatArray:
        x = (np.asarray(z, dtype=np.float64) - self.centre) / self.scale
        return np.asarray(np.polynomial.polynomial.polyval(x, self.coefficients), dtype=np.float64)

    def raw_coefficients(self) -> FloatArray:
        """Coefficients of plain powers of z, lowest first, by expanding the scaled ones."""
        in_z = np.polynomial.Polynomial(self.coefficients)(
            np.polynomial.Polynomial([-self.centre / self.scale, 1.0 / self.scale])
        )
        return np.asarray(in_z.coef, dtype=np.float64)


def solve_weighted(design: FloatArray, y: FloatArray, root_weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coefficients and the triangular factor R of the weighted design (its covariance is inv(R^T R)), by QR."""
    q, r = np.linalg.qr(design * root_weight[:, None])
    return np.linalg.solve(r, q.T @ (y * root_weight)), r


def polynomial_fit(z: ArrayLike, y: ArrayLike, degree: int, u: ArrayLike | None = None) -> PolynomialFit:
    """Fit y(z), both of length n, by a polynomial; `u` are the standard uncertainties of y (None: all one).

    Raises ValueError for fewer than degree + 1 points or an uncertainty that is not above zero.
    """
    at, values = np.asarray(z, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if at.ndim != 1 or at.shape != values.shape or at.size <= degree:
        raise ValueError(f"a polynomial of degree {degree} needs at least {degree + 1} points, in two equal rows")
    sigma = np.ones_like(at) if u is None else np.broadcast_to(np.asarray(u, dtype=np.float64), at.shape)
    if not np.all(sigma > 0.0):
        raise ValueError("uncertainties of points must be above zero")
    centre = 0.5 * float(at.min() + at.max())
    scale = 0.5 * float(np.ptp(at)) or 1.0
    design = np.vander((at - centre) / scale, degree + 1, increasing=True)
    coefficients, r = solve_weighted(design, values, 1.0 / sigma)
    inverse = np.linalg.inv(r)
    residual = (values - design @ coefficients) / sigma
    return PolynomialFit(
        coefficients, centre, scale, inverse @ inverse.T, float(residual @ residual), at.size - degree - 1
    )
