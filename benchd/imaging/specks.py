"""Single bad pixels, hot or dead: detected by their neighbours, replaced from the two along the edge.

Light across an edge is monotonic in any direction: no pixel of it differs from all eight neighbours in the same sense
by more than noise. A pixel that does is a defect of the camera.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

_NOISE_SD = 6.0
_LEAST_SHARE = 0.02  # of the region's swing: a smaller one moves the modulation by less than the noise
_QUARTILE_TO_SD = 0.6745 * 2.0**0.5
_COMB = 3


def without_specks(region: NDArray[Any]) -> tuple[NDArray[Any], int]:
    """`region` (rows x columns, rows across the edge) with its single bad pixels replaced, and their number.

    A bad pixel takes the mean of those above and below it, which see nearly the same part of the edge. Two that touch
    cannot be distinguished from the picture and stay.
    """
    if min(region.shape) < 3:
        return region, 0
    padded = _padded(region)
    centre = padded[:, 1:-1]
    sides, least_sides = np.maximum(padded[:, :-2], padded[:, 2:]), np.minimum(padded[:, :-2], padded[:, 2:])
    lines, least_lines = np.maximum(sides, centre), np.minimum(least_sides, centre)
    most = np.maximum(np.maximum(lines[:-2], lines[2:]), sides[1:-1])
    least = np.minimum(np.minimum(least_lines[:-2], least_lines[2:]), least_sides[1:-1])
    # never below zero, as whole numbers without a sign cannot be
    above, below = np.maximum(region, most) - most, least - np.minimum(region, least)
    stands_out = np.maximum(above, below)
    highest = float(stands_out.max())
    comb = region[::_COMB]
    matters = _LEAST_SHARE * (float(comb.max()) - float(comb.min())) + 1.0
    if highest <= matters:
        return region, 0
    matters += _NOISE_SD * _noise_sd(comb)
    if highest <= matters:
        return region, 0
    rows, columns = np.nonzero(stands_out > matters)
    if not rows.size:
        return region, 0
    mended = region.copy()
    along = 0.5 * (padded[rows, columns + 1].astype(np.float64) + padded[rows + 2, columns + 1])
    mended[rows, columns] = along if region.dtype.kind == "f" else np.rint(along)
    return mended, int(rows.size)


def _padded(region: NDArray[Any]) -> NDArray[Any]:
    """`region` with its second lines once more around it: the neighbours of its outermost pixels."""
    rows, columns = region.shape
    padded = np.empty((rows + 2, columns + 2), region.dtype)
    padded[1:-1, 1:-1] = region
    padded[1:-1, 0], padded[1:-1, -1] = region[:, 1], region[:, -2]
    padded[0], padded[-1] = padded[2], padded[-3]
    return padded


def _noise_sd(comb: NDArray[Any]) -> float:
    """Noise of a pixel, from three quarters of its steps, as half of the region may be black and without noise."""
    left, right = comb[:, :-1], comb[:, 1:]
    steps = (np.maximum(left, right) - np.minimum(left, right)).ravel()
    quarter = 3 * steps.size // 4
    return float(np.partition(steps, quarter)[quarter]) / _QUARTILE_TO_SD
