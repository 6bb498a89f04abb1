"""A rough position of focus from a few captures: for choosing stations, never for a finding.

The merit gives its peak to a fraction of its width; but it peaks on every side lobe too, the more so farther out of
focus. The blur of an edge points to its minimum from anywhere, to about half a width. A peak is accepted if both agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

REFINED_HW = 0.4
"""How far a parabola may move a matched bell, in geometric half-widths: beyond, it follows noise in the flanks."""

NARROWEST_HW, WIDEST_HW = 0.9, 2.0
"""Bounds of a half-width at half height, in geometric half-widths: diffraction allows none below 1.02, and a wave of
spherical aberration at f/8 makes it 1.5."""

LEAST_BLURS = 4

SAME_PLACE_HW = 1.25
"""How far apart peak and least blur may be, in geometric half-widths. A wave of spherical aberration parts them by .4
at f/8 and by less at wider apertures; the nearest side lobe is 2.3 from the peak."""


@dataclass(frozen=True, slots=True)
class Location:
    """Position of the peak (um), half-width at half height (um), height, and whether both flanks were sampled."""

    peak_um: float
    hwhm_um: float
    height: float
    enclosed: bool


def locate(z_um: Sequence[float] | Floats, value: Sequence[float] | Floats, half_width_um: float) -> Location | None:
    """The best match of a bell of the expected half-width, refined by a parabola through the points above 60 %.

    `value` 0 stands for a picture too blurred to be measured. None if there is no peak.
    """
    z, v = np.asarray(z_um, dtype=float), np.asarray(value, dtype=float)
    order = np.argsort(z)
    z, v = z[order], v[order]
    if z.size < 3 or v.max() <= 0.0:
        return None
    shifts = np.linspace(z[0], z[-1], 8 * z.size)
    bells = np.exp(-np.log(2.0) * ((z[None, :] - shifts[:, None]) / half_width_um) ** 2)
    match = bells @ v / np.sqrt(np.einsum("ij,ij->i", bells, bells))
    best = int(np.argmax(match))
    peak = float(shifts[best])
    near = np.abs(z - peak) <= 1.2 * half_width_um
    top = near & (v > 0.6 * v[near].max()) if near.any() else near
    # A bell's height, not the highest value: of stations a half-width apart none may be near the peak.
    height = float(bells[best] @ v / (bells[best] @ bells[best]))
    if np.count_nonzero(top) >= 3:
        a, b, c = np.polyfit(z[top] - peak, v[top], 2)
        if a < 0.0 and abs(b / (2.0 * a)) <= REFINED_HW * half_width_um:
            height = float(c - b * b / (4.0 * a))
            peak = float(peak - b / (2.0 * a))
    left, right = _crossing(z, v, peak, 0.5 * height, -1), _crossing(z, v, peak, 0.5 * height, +1)
    widths = [abs(place - peak) for place in (left, right) if place is not None]
    if not widths:
        return None
    hwhm = float(np.clip(np.mean(widths), NARROWEST_HW * half_width_um, WIDEST_HW * half_width_um))
    return Location(peak, hwhm, height, left is not None and right is not None)


def least_blur_um(z_um: Sequence[float] | Floats, blur: Sequence[float] | Floats) -> float | None:
    """Offset of least blur (um), from the edge's widths at a few offsets, in any unit.

    Out of focus the blur grows in proportion to the distance (geometrical optics), so its square is a parabola whose
    vertex is the focus, even far outside the sampled range. None from fewer than four, or if there is no minimum.
    """
    z, width = np.asarray(z_um, dtype=float), np.asarray(blur, dtype=float)
    if z.size < LEAST_BLURS or np.ptp(z) == 0.0:
        return None
    middle, half = 0.5 * (z.max() + z.min()), 0.5 * np.ptp(z)
    a, b, _ = np.polyfit((z - middle) / half, width**2, 2, w=1.0 / width)
    return float(middle - half * b / (2.0 * a)) if a > 0.0 else None


def agree(peak: Location | None, least_blur: float | None, half_width_um: float) -> bool:
    """Whether a peak of the merit with both flanks sampled is where edges are least blurred."""
    if peak is None or not peak.enclosed or least_blur is None:
        return False
    return abs(peak.peak_um - least_blur) <= SAME_PLACE_HW * half_width_um


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
