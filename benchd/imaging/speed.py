"""How many edge regions a second this machine measures: nine of 120 x 80 px in a decoded frame of 12 megapixels."""

from __future__ import annotations

from collections.abc import Callable
from statistics import median

import numpy as np

from benchd.imaging.edge import edge_modulation
from benchd.imaging.picture import Grey

_FRAME = (3000, 4000)
_REGION = (120, 80)
_TILT_DEG = 5.0


def regions_per_second(clock: Callable[[], float], rounds: int = 30) -> float:
    """Edge regions per second, from the median of `rounds` over nine regions. `clock` gives seconds, monotonic."""
    frame, corners = _frame()
    rows, columns = _REGION
    times = []
    for _ in range(rounds):
        start = clock()
        for row, col in corners:
            edge_modulation(frame[row : row + rows, col : col + columns], "v", 0.1)
        times.append(clock() - start)
    return len(corners) / median(times)


def _frame() -> tuple[Grey, list[tuple[int, int]]]:
    """A grey frame with nine slanted edges of a linear ramp three pixels wide, noise included."""
    rng = np.random.default_rng(1)
    frame = np.full(_FRAME, 200, dtype=np.uint8)
    rows, columns = _REGION
    y, x = np.mgrid[0:rows, 0:columns]
    corners = []
    for k in range(9):
        d = x - 0.5 * columns - 0.1 * k - np.tan(np.radians(_TILT_DEG)) * (y - 0.5 * rows)
        light = 40.0 + 160.0 * np.clip(d / 3.0 + 0.5, 0.0, 1.0) + rng.normal(0.0, 2.0, d.shape)
        row, col = 300 + 1100 * (k // 3), 400 + 1500 * (k % 3)
        frame[row : row + rows, col : col + columns] = np.rint(light).astype(np.uint8)
        corners.append((row, col))
    return frame, corners
