"""The period of bars in a patch of picture: the spatial frequency of their waveform, by least squares.

The waveform is a Fourier series, whatever the width of the bars and their blur, on ground that may slope; its frequency
has two components, so that nobody has to know how the bars are turned. For a sinusoid in white noise the least squares
frequency reaches the Cramer-Rao bound (tests/imaging/test_period.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.imaging.rows import Floats

_MOST_HARMONICS = 7
_HIGHEST_CYCLES = 0.45
"""Cycles per pixel: what is finer is not told from what it is folded onto."""

_GROUND = 3
"""Terms of the ground: a level and its slope both ways."""


@dataclass(frozen=True, slots=True)
class Period:
    """`x_cycles` and `y_cycles`: frequency in cycles per pixel. Relative standard uncertainties of the period:
    `u_noise_rel` by the residuals of pixels, taken as white, `u_bars_rel` by the places of the bars about even ones.
    `depth`: the fundamental's amplitude, peak to peak."""

    x_cycles: float
    y_cycles: float
    u_noise_rel: float
    u_bars_rel: float
    depth: float

    @property
    def px(self) -> float:
        """The period across the bars."""
        return 1.0 / math.hypot(self.x_cycles, self.y_cycles)


def fit_period(x: Floats, y: Floats, light: Floats, start: tuple[float, float]) -> Period:
    """The period of `light` (n,) at places `x` and `y` (px), from a frequency (cycles per px) that is off by much less
    than one over the length of the patch, which begins and ends between bars. Raises RuntimeError without a fit."""
    from scipy.optimize import curve_fit  # in the worker only: the daemon imports this module and must stay small

    x, y = x - x.mean(), y - y.mean()
    where = np.stack([x, y])
    orders = np.arange(1, max(1, min(_MOST_HARMONICS, int(_HIGHEST_CYCLES / math.hypot(*start)))) + 1)

    def columns(cycles: Floats) -> Floats:
        phase = 2.0 * np.pi * np.outer(orders, cycles)
        # Scaled, so that no column is a thousand times another.
        ground = np.stack([np.ones_like(x), x / np.ptp(x), y / max(float(np.ptp(y)), 1.0)])
        return np.concatenate([ground, np.cos(phase), np.sin(phase)]).T

    def slope(cycles: Floats, heights: Floats) -> Floats:
        """How the light changes with the cycles."""
        turn = 2.0 * np.pi * orders
        phase, (even, odd) = np.outer(turn, cycles), np.split(heights[_GROUND:], 2)
        return np.asarray((turn * odd) @ np.cos(phase) - (turn * even) @ np.sin(phase))

    def model(at: Floats, fx: float, fy: float, *heights: float) -> Floats:
        return np.asarray(columns(fx * at[0] + fy * at[1]) @ np.asarray(heights))

    def by_parameters(at: Floats, fx: float, fy: float, *heights: float) -> Floats:
        cycles = fx * at[0] + fy * at[1]
        by_cycle = slope(cycles, np.asarray(heights))
        return np.column_stack([by_cycle * at[0], by_cycle * at[1], columns(cycles)])

    at_start, *_ = np.linalg.lstsq(columns(start[0] * x + start[1] * y), light, rcond=None)
    found, covariance = curve_fit(model, where, light, p0=[*start, *at_start], jac=by_parameters)
    fx, fy, heights = float(found[0]), float(found[1]), found[2:]
    along = np.array([fx, fy]) / math.hypot(fx, fy)
    u_cycles = math.sqrt(float(along @ covariance[:2, :2] @ along))
    cycles = fx * x + fy * y
    rest, by_cycle = light - model(where, *found), slope(cycles, heights)
    fundamental = math.hypot(heights[_GROUND], heights[_GROUND + len(orders)])
    u_bars = _u_by_bars(cycles, rest, by_cycle)
    return Period(fx, fy, u_cycles / math.hypot(fx, fy), u_bars, 2.0 * fundamental)


def _u_by_bars(cycles: Floats, rest: Floats, by_cycle: Floats) -> float:
    """The relative u of the period, as each bar stands off its even place by what the residuals there ask for.

    Bars that are printed or ruled unevenly, and pictures that are bent, show here and not in the noise of pixels. The
    slope of a line through the bars' offsets has n - 2 degrees of freedom; the standard deviation of its t is what
    counts (JCGM 101, 6.4.9.4)."""
    which = np.floor(cycles - cycles.min()).astype(np.intp)
    weight = np.bincount(which, by_cycle**2)
    asked = np.bincount(which, rest * by_cycle)
    whole = weight > 0.5 * np.median(weight)
    number = np.flatnonzero(whole).astype(np.float64)
    if len(number) < 5:
        return math.inf
    offset = asked[whole] / weight[whole]
    rise, level = np.polyfit(number, offset, 1)
    scatter = float(np.sum((offset - level - rise * number) ** 2)) / (len(number) - 4)
    return math.sqrt(scatter / float(np.sum((number - number.mean()) ** 2)))
