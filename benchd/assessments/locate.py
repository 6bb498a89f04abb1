"""A rough look at where a merit peaks, from few points: good for choosing stations, never for a finding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Location:
    """Place of the peak (um), half-width at half height (um), height, and whether both flanks were seen."""

    peak_um: float
    hwhm_um: float
    height: float
    enclosed: bool


def locate(z_um: Sequence[float] | Floats, value: Sequence[float] | Floats, half_width_um: float) -> Location | None:
    """The best match of a bell of the expected half-width, refined by a parabola through the points above 60 %.

    `value` 0 stands for a picture too blurred to be measured. None where nothing rises above the rest.
    """
    z, v = np.asarray(z_um, dtype=float), np.asarray(value, dtype=float)
    order = np.argsort(z)
    z, v = z[order], v[order]
    if z.size < 3 or v.max() <= 0.0:
        return None
    shifts = np.linspace(z[0], z[-1], 8 * z.size)
    bells = np.exp(-np.log(2.0) * ((z[None, :] - shifts[:, None]) / half_width_um) ** 2)
    match = bells @ v / np.sqrt(np.einsum("ij,ij->i", bells, bells))
    peak = float(shifts[int(np.argmax(match))])
    near = np.abs(z - peak) <= 1.2 * half_width_um
    top = near & (v > 0.6 * v[near].max()) if near.any() else near
    height = float(v[near].max()) if near.any() else float(v.max())
    if np.count_nonzero(top) >= 3:
        a, b, c = np.polyfit(z[top] - peak, v[top], 2)
        if a < 0.0 and abs(b / (2.0 * a)) < half_width_um:
            height = float(c - b * b / (4.0 * a))
            peak = float(peak - b / (2.0 * a))
    left, right = _crossing(z, v, peak, 0.5 * height, -1), _crossing(z, v, peak, 0.5 * height, +1)
    widths = [abs(place - peak) for place in (left, right) if place is not None]
    if not widths:
        return None
    return Location(peak, float(np.mean(widths)), height, left is not None and right is not None)


def _crossing(z: Floats, v: Floats, peak: float, level: float, side: int) -> float | None:
    """Where the curve first falls through `level` on one side of the peak."""
    indices = [i for i in range(z.size) if (z[i] - peak) * side > 0.0]
    if side < 0:
        indices.reverse()
    before_z, before_v = peak, 2.0 * level
    for i in indices:
        if v[i] <= level:
            share = (before_v - level) / max(before_v - v[i], 1e-12)
            return float(before_z + share * (z[i] - before_z))
        before_z, before_v = float(z[i]), float(v[i])
    return None
