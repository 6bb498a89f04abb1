"""Single bad pixels, hot or dead: found by their neighbours, put right from the two that lie along the edge.

However an edge runs, its light rises one way: no pixel of it stands out against all eight of its neighbours by more
than noise. What does is the camera's.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.rows import Floats

_NOISE_SD = 6.0
_LEAST_SHARE = 0.02  # of the region's swing: a smaller one moves the modulation by less than the noise
_QUARTILE_TO_SD = 0.6745 * 2.0**0.5
_COMB = 3


def without_specks(region: NDArray[Any]) -> tuple[NDArray[Any], int]:
    """`region` (rows x columns, rows across the edge) with its single bad pixels put right, and how many they were.

    A bad pixel takes the mean of those above and below it, which see nearly the same part of the edge. Two that touch
    are not told from the picture and stay.
    """
    if min(region.shape) < 3:
        return region, 0
    padded = np.pad(region, 1, mode="reflect")
    centre = padded[:, 1:-1]
    sides, least_sides = np.maximum(padded[:, :-2], padded[:, 2:]), np.minimum(padded[:, :-2], padded[:, 2:])
    lines, least_lines = np.maximum(sides, centre), np.minimum(least_sides, centre)
    most = np.maximum(np.maximum(lines[:-2], lines[2:]), sides[1:-1])
    least = np.minimum(np.minimum(least_lines[:-2], least_lines[2:]), least_sides[1:-1])
    at = np.nonzero((region > most) | (region < least))
    if not at[0].size:
        return region, 0
    value = region[at].astype(np.float64)
    stands_out = np.maximum(value - most[at], least[at] - value) > _noticeable(region)
    rows, columns = at[0][stands_out], at[1][stands_out]
    if not rows.size:
        return region, 0
    mended = region.copy()
    along = 0.5 * (padded[rows, columns + 1].astype(np.float64) + padded[rows + 2, columns + 1])
    mended[rows, columns] = along if region.dtype.kind == "f" else np.rint(along)
    return mended, int(rows.size)


def _noticeable(region: NDArray[Any]) -> float:
    """How far a pixel must stand out: beyond noise, and enough to matter."""
    comb: Floats = region[::_COMB].astype(np.float64)
    steps = np.abs(comb[:, 1:] - comb[:, :-1]).ravel()
    # three quarters of the steps, as half of the region may be black and without noise
    quarter = 3 * steps.size // 4
    sd = float(np.partition(steps, quarter)[quarter]) / _QUARTILE_TO_SD
    return _NOISE_SD * sd + _LEAST_SHARE * float(comb.max() - comb.min()) + 1.0
