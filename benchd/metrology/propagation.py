"""Linear propagation with correlations, for the few measurands that share their inputs (JCGM 100, 5.2)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def propagate(derivatives: ArrayLike, covariance: ArrayLike) -> FloatArray:
    """Covariance (k x k) of k results from that (n x n) of n inputs; `derivatives` is k x n, or n for one result."""
    jacobian = np.atleast_2d(np.asarray(derivatives, dtype=np.float64))
    return np.asarray(jacobian @ np.asarray(covariance, dtype=np.float64) @ jacobian.T, dtype=np.float64)


def derivatives_at(function: Callable[[FloatArray], ArrayLike], inputs: ArrayLike, steps: ArrayLike) -> FloatArray:
    """Derivatives (k x n) by central differences over +- one step of each input; take the inputs' u as steps.

    JCGM 100, 5.1.3 note 2: differences over one standard uncertainty.
    """
    at = np.asarray(inputs, dtype=np.float64)
    columns = []
    for index, step in enumerate(np.asarray(steps, dtype=np.float64)):
        shift = np.zeros_like(at)
        shift[index] = step
        rise = np.atleast_1d(np.asarray(function(at + shift))) - np.atleast_1d(np.asarray(function(at - shift)))
        columns.append(rise / (2.0 * step) if step else np.zeros_like(rise))
    return np.stack(columns, axis=1)


def correlations(covariance: ArrayLike) -> FloatArray:
    """The correlation matrix of a covariance matrix; zero where a variance is zero."""
    matrix = np.asarray(covariance, dtype=np.float64)
    u = np.sqrt(np.diag(matrix))
    scale = np.outer(u, u)
    return np.asarray(np.divide(matrix, scale, out=np.zeros_like(matrix), where=scale > 0.0), dtype=np.float64)
