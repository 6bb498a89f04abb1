"""Residual effect of uneven light beside an edge, after the field fitted from farther out was divided out.

A symmetric blur spreads as much from the bright to the dark side of an edge as back: the sum of two pixels at the same
distance on both sides equals that of the two plateaus, however near they are. Any change of it with distance is the
light. So the light is measured from a few pixels off the edge on, where a field fitted beyond the blur and its long
tails can only be extrapolated: a lamp's image or vignetting that begins there is not quadratic.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.imaging.response import Plateaus
from benchd.imaging.rows import FLANK, FLANK_VARIANCE, Floats

_CORE_SIGMAS, _CORE_PX = 2.5, 2.0  # nearer, a lopsided blur shows
_LEAST_PAIRS = 8
_ROUGH_SD = 3.0  # by which the scatter about a smooth light must exceed the pixels' to count


@dataclass(frozen=True, slots=True)
class Fold:
    """Change of the light from an edge to the window's flank, as a share of the swing, and its uncertainty.

    `share` is relative and has a sign: to first order the modulation is too low by it. `noise` is its standard
    uncertainty from the pixels' noise, `rough` that from structure that no smooth light explains.
    """

    share: float = 0.0
    noise: float = 0.0
    rough: float = 0.0

    @classmethod
    def from_pixels(
        cls,
        pixels: Floats,
        weights: Floats,
        levels: Plateaus,
        *,
        sigma_px: float,
        window: float,
        outer: int,
        cos: float,
    ) -> Fold:
        """By a parabola through the sums of pixels gathered about the edge (rows x columns), `weights` per row, from
        its core to `outer` columns off it. Nothing where these are too few to tell."""
        half = pixels.shape[1] // 2
        first = int(min(_CORE_SIGMAS * sigma_px + _CORE_PX, 0.5 * window) / cos) + 1
        if outer - 1 - first < _LEAST_PAIRS:
            return cls()
        total = float(np.add.reduce(weights))
        profile = weights @ pixels / (total * levels.swing)
        sums = profile[half + first : half + outer - 1] + profile[half - outer + 1 : half - first][::-1]
        # orthogonal polynomials over evenly spaced places, counted from their middle in columns
        n = sums.size
        x = np.arange(n) - 0.5 * (n - 1)
        mean_square = (n * n - 1) / 12.0
        curve = x * x - mean_square
        curve_norm = float(curve @ curve)
        slope, bend = float(x @ sums) / (n * mean_square), float(curve @ sums) / curve_norm
        rest = sums - float(np.add.reduce(sums)) / n - slope * x - bend * curve
        # the flank of the window less the edge itself
        edge = -(first + 0.5 + 0.5 * (n - 1))
        flank = edge + FLANK * window / cos
        by_slope = flank - edge
        by_bend = flank * flank + FLANK_VARIANCE * (window / cos) ** 2 - edge * edge
        gain = by_slope * by_slope / (n * mean_square) + by_bend * by_bend / curve_norm
        noise = (levels.left_variance + levels.right_variance) * float(weights @ weights) / (total * levels.swing) ** 2
        rough = float(rest @ rest) / (n - 3) - noise
        if rough <= _ROUGH_SD * (2.0 / (n - 3)) ** 0.5 * noise:
            rough = 0.0
        return cls(by_slope * slope + by_bend * bend, (gain * noise) ** 0.5, (gain * rough) ** 0.5)


def excess(share: float, noise: float, rough: float) -> float:
    """The standard uncertainty for a share: the excess over what its own noise gives on average."""
    return float(np.sqrt(max(share * share - noise * noise, 0.0) + rough * rough))
