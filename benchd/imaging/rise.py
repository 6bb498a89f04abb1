"""Width of an edge: its profile along the normal, and the distance between two shares of its swing."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.rows import Floats, gather, mean

SAMPLES_PER_PX = 4


def profile_of(region: NDArray[Any], line: Floats, reach_px: float, cos: float) -> Floats:
    """The edge's profile in quarter pixels along the rows, every row shifted by `line` (x per row)."""
    half = max(3, int(reach_px / cos))
    pixels, fraction = gather(region, line, half)
    quarter = SAMPLES_PER_PX * (np.arange(2 * half + 2) - fraction[:, None]) + 2.0
    at = np.floor(quarter).astype(np.intp).ravel()
    counts = np.bincount(at)
    filled = np.nonzero(counts)[0]
    return np.asarray(np.bincount(at, pixels.ravel())[filled] / counts[filled], dtype=np.float64)


def rise(profile: Floats, share: float = 0.1) -> float:
    """Samples from `share` to 1 - `share` of the difference between the levels of both ends; 0 without a difference."""
    outer = max(4, profile.size // 8)
    low, high = mean(profile[:outer]), mean(profile[-outer:])
    if high == low:
        return 0.0
    rising = (profile - low) / (high - low)
    middle = int(np.argmax(rising >= 0.5))
    start = crossing(rising[middle::-1], share)
    stop = crossing(1.0 - rising[max(middle - 1, 0) :], share) - 1.0
    return start + stop


def crossing(falling: Floats, level: float) -> float:
    """How many steps from its start a falling profile passes `level`, between samples; its length if never."""
    under = np.nonzero(falling < level)[0]
    if not under.size:
        return float(falling.size)
    k = int(under[0])
    if k == 0:
        return 0.0
    return k - float((level - falling[k]) / (falling[k - 1] - falling[k]))
