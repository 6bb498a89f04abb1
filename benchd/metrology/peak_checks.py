"""Checks of a through-focus curve for faults that its residuals do not show."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

DIP_SD = 4.5
"""Depth of a dip between two maxima, in standard deviations of a difference, from which it is believed."""


def two_maxima(z_um: ArrayLike, value: ArrayLike, u: ArrayLike, *, dip_sd: float = DIP_SD) -> bool:
    """Whether the points show two maxima with a real dip between them; all of shape (n,), in any order.

    The dip must lie `dip_sd` standard deviations below both, and the lesser must reach half the greater: the
    side lobes of a defocused pupil stay below that and are no second focus.
    """
    order = np.argsort(np.asarray(z_um, dtype=np.float64), kind="stable")
    v = np.asarray(value, dtype=np.float64)[order]
    s = np.broadcast_to(np.asarray(u, dtype=np.float64), v.shape)[order]
    # Entry [i, j]: how far maximum i stands above dip j. The best maximum on either side of each dip decides.
    rise = (v[:, None] - v[None, :]) / np.hypot(s[:, None], s[None, :])
    rise[v < 0.5 * v.max(), :] = -np.inf
    left = np.where(np.tri(v.size, k=-1, dtype=bool).T, rise, -np.inf).max(axis=0)
    right = np.where(np.tri(v.size, k=-1, dtype=bool), rise, -np.inf).max(axis=0)
    return bool(np.any(np.minimum(left, right) > dip_sd))


def lag1(residuals: ArrayLike) -> float:
    """Correlation of each residual with the next, in the order taken; NaN for fewer than three or all zero."""
    r = np.asarray(residuals, dtype=np.float64)
    total = float(r @ r)
    return float(r[:-1] @ r[1:]) / total if r.size >= 3 and total > 0.0 else math.nan
