"""Fall-off of the light over the bright ground, a smooth function of position, to be divided out of an edge.

A lens's fall-off (cos^4, vignetting), a lamp's gradient and its image act alike on bright and dark parts, except for
the camera's pedestal, which is not light: grey = pedestal + light x pattern. Left in, they shift an edge, widen it,
and add a slope to its transform.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.rows import Floats, mean

_LEAST_LIGHT = 0.2  # of the mean: below it nothing is divided by it
_LEAST_SAMPLES = 24
_OUTLIER = 5.0  # scaled median deviations: something stands on the ground there


@dataclass(frozen=True, slots=True)
class LightField:
    """Light relative to the mean over the ground; its logarithm is a quadratic in (x - x0) / scale, (y - y0) / scale.

    Factors add in the logarithm, so that a lens's fall-off, a gradient and a soft hot spot combine into one field.
    """

    coefficients: Floats
    x0: float
    y0: float
    scale: float

    @classmethod
    def through(cls, x: Floats, y: Floats, light: Floats, middle: tuple[float, float], scale: float) -> LightField:
        """By samples of the bright ground, the pedestal taken off; all of shape (n,).

        Even light if there are too few. Outliers (marks, writing) are left out, in two passes.
        """
        x0, y0 = middle
        terms = _terms((x - x0) / scale, (y - y0) / scale)
        keep = light > 0
        light = np.log(np.where(keep, light, 1.0))
        coefficients: Floats = np.zeros(6)
        for _ in range(3):
            if int(keep.sum()) < _LEAST_SAMPLES:
                return cls(np.zeros(6), x0, y0, scale)
            kept = terms * keep
            coefficients = np.asarray(np.linalg.pinv(kept @ terms.T) @ (kept @ light), dtype=np.float64)
            off = np.abs(light - coefficients @ terms)
            keep = off <= _OUTLIER * 1.4826 * float(np.median(off[keep])) + 1e-6
        coefficients[0] -= mean(light[keep])
        return cls(coefficients, x0, y0, scale)

    @classmethod
    def even(cls) -> LightField:
        """Even light."""
        return cls(np.zeros(6), 0.0, 0.0, 1.0)

    def at(self, x: Floats, y: Floats) -> Floats:
        """Relative light at places of the picture, shape (n,)."""
        terms = _terms((x - self.x0) / self.scale, (y - self.y0) / self.scale)
        return np.asarray(np.exp(self.coefficients @ terms), dtype=np.float64)

    def over(self, rows: slice, columns: slice) -> Floats:
        """Relative light in each pixel of a rectangle of the picture."""
        x = (np.arange(columns.start, columns.stop) - self.x0) / self.scale
        y = (np.arange(rows.start, rows.stop)[:, None] - self.y0) / self.scale
        level, right, down, wide, askew, high = self.coefficients
        log = (level + y * (down + high * y)) + x * (right + wide * x) + (askew * y) * x
        return np.asarray(np.exp(log), dtype=np.float64)


def _terms(x: Floats, y: Floats) -> Floats:
    """The quadratic's terms at each place, shape (6, n)."""
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y])


@dataclass(frozen=True, slots=True)
class Ground:
    """The light over one region: relative to that about its edge, per pixel (rows x columns); grey = pedestal +
    light x pattern. `u_slope` is the standard uncertainty of its slope across the edge, per px."""

    light: Floats
    pedestal: float
    u_slope: float = 0.0

    @property
    def T(self) -> Ground:
        """The same of the region's transpose."""
        return Ground(self.light.T, self.pedestal, self.u_slope)

    def evened(self, region: NDArray[Any]) -> Floats:
        """`region` as it would be under even light."""
        return np.asarray(self.pedestal + (region - self.pedestal) / self.light, dtype=np.float64)


def beside(region: NDArray[Any], line: Floats, reach_px: float, wide_px: float) -> Ground | None:
    """The light about an edge (x per row in `line`) as a plane through `wide_px` of the bright plateau.

    For a region by itself; the plateau counts from beyond `reach_px`. None if it is too narrow. The uncertainty of its
    slope comes from the scatter of the plateau's columns, so that it includes curvature of the light.
    """
    rows, width = region.shape
    left_end, right_start = int(line.min() - reach_px), int(line.max() + reach_px) + 1
    if left_end < 3 or width - right_start < 3:
        return None
    left_start, right_end = max(0, left_end - int(wide_px)), right_start + int(wide_px)
    left, right = region[:, left_start:left_end].astype(np.float64), region[:, right_start:right_end].astype(np.float64)
    bright_right = mean(right) > mean(left)
    plateau, pedestal = (right, mean(left)) if bright_right else (left, mean(right))
    columns = plateau.shape[1]
    middle = (right_start if bright_right else left_start) + 0.5 * (columns - 1)
    x, y = np.arange(columns) - 0.5 * (columns - 1), np.arange(rows) - 0.5 * (rows - 1)
    by_column, by_row = np.add.reduce(plateau, axis=0) / rows, np.add.reduce(plateau, axis=1) / columns
    level, norm = mean(by_column) - pedestal, float(x @ x)
    across, along = float(x @ by_column) / norm, float(y @ by_row) / float(y @ y)
    edge = mean(line) - middle
    at_edge = level + across * edge
    if not at_edge > _LEAST_LIGHT * level > 0:
        return None
    rest = by_column - mean(by_column) - across * x
    u = (float(rest @ rest) / max(columns - 2, 1) / norm) ** 0.5
    light = 1.0 + (across * (np.arange(width) - middle - edge) + along * y[:, None]) / at_edge
    return Ground(np.maximum(light, _LEAST_LIGHT), pedestal, u / at_edge)
