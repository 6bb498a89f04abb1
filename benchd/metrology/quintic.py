"""One weighted quintic over a window: its highest point near the middle and its half height on both sides.

The machinery under `benchd.metrology.peak`; positions are scaled to x = (z - centre)/half, so |x| <= 1 inside.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

TERMS = 6

_GRID_END = 1.1
_GRID = np.linspace(-_GRID_END, _GRID_END, 111)
_GRID_POWERS = np.vander(_GRID, TERMS, increasing=True)


class Unsolvable(Exception):
    """The window holds too few different positions for a quintic: `count` points."""

    def __init__(self, count: int) -> None:
        super().__init__(f"{count} points")
        self.count = count


class Window(NamedTuple):
    """One quintic in x = (z - centre)/half, its highest point near the middle, and the half height on both sides."""

    centre: float
    half: float
    inside: NDArray[np.bool_]
    coefficients: FloatArray
    triangle: FloatArray
    top: float
    is_maximum: bool
    left: float | None
    right: float | None

    @property
    def peak(self) -> float:
        return self.centre + self.half * self.top

    def hwhm(self) -> float:
        """Mean of both sides; a side that does not reach half height counts to the end of the searched range."""
        left = _GRID_END + self.top if self.left is None else self.left
        right = _GRID_END - self.top if self.right is None else self.right
        return 0.5 * self.half * (left + right)


def solve_weighted(design: FloatArray, y: FloatArray, root_weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coefficients and the triangular factor R of the weighted design (its covariance is inv(R^T R)), by QR."""
    q, r = np.linalg.qr(design * root_weight[:, None])
    return np.linalg.solve(r, q.T @ (y * root_weight)), r


def quintic(z: FloatArray, v: FloatArray, weight: FloatArray, centre: float, half: float) -> Window:
    x = (z - centre) / half
    inside = np.abs(x) <= 1.0
    if np.unique(z[inside]).size <= TERMS:
        raise Unsolvable(int(np.count_nonzero(inside)))
    design = np.vander(x[inside], TERMS, increasing=True)
    coefficients, triangle = solve_weighted(design, v[inside], weight[inside])
    shape = _GRID_POWERS @ coefficients
    summits = np.flatnonzero((shape[1:-1] > shape[:-2]) & (shape[1:-1] >= shape[2:])) + 1
    if summits.size == 0:
        uphill = 0.5 if shape[-1] > shape[0] else -0.5
        return Window(centre, half, inside, coefficients, triangle, uphill, False, None, None)
    at = int(summits[np.argmin(np.abs(_GRID[summits]))])
    top = _refined(coefficients, float(_GRID[at]))
    below = shape < 0.5 * shape[at]
    left, right = np.flatnonzero(below[:at]), np.flatnonzero(below[at:])
    return Window(
        centre,
        half,
        inside,
        coefficients,
        triangle,
        top,
        True,
        top - _crossing(shape, int(left[-1]), int(left[-1]) + 1, at) if left.size else None,
        _crossing(shape, at + int(right[0]), at + int(right[0]) - 1, at) - top if right.size else None,
    )


def _crossing(shape: FloatArray, under: int, over: int, at: int) -> float:
    """Where the fit passes half its height, between two neighbours of the grid."""
    share = (0.5 * shape[at] - shape[under]) / (shape[over] - shape[under])
    return float(_GRID[under] + share * (_GRID[over] - _GRID[under]))


def derivatives(c: FloatArray, x: float) -> tuple[float, float]:
    first = c[1] + x * (2 * c[2] + x * (3 * c[3] + x * (4 * c[4] + x * 5 * c[5])))
    second = 2 * c[2] + x * (6 * c[3] + x * (12 * c[4] + x * 20 * c[5]))
    return float(first), float(second)


def _refined(c: FloatArray, x: float) -> float:
    """Newton from the grid's summit, kept within its neighbours."""
    low, high = x - 0.02, x + 0.02
    for _ in range(4):
        first, second = derivatives(c, x)
        if second >= 0.0:
            break
        x = min(max(x - first / second, low), high)
    return x


def slope_per_um(fit: Window, z: FloatArray) -> FloatArray:
    """The fit's slope per um; outside the window as at its end, where it does not matter."""
    x = np.clip((z - fit.centre) / fit.half, -1.0, 1.0)
    c = fit.coefficients
    slope = c[1] + x * (2 * c[2] + x * (3 * c[3] + x * (4 * c[4] + x * 5 * c[5])))
    return np.asarray(slope / fit.half, dtype=np.float64)
