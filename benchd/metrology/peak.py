"""Best focus: the peak of a merit through focus, by a weighted quintic over the measured half-width.

A quintic follows the skew and the flat top that spherical aberration and diffraction give the curve; lower orders
are biased by it. The window is a multiple of the half-width at half height (HWHM) measured on the fit itself. The
uncertainty comes from the fit's covariance scaled by its residuals, so it includes all errors that are independent from
point to point; errors common to all points (scale, adapters, slow drift) belong into the budget as separate lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import ArrayLike, NDArray

from benchd.metrology.distribution import coverage_factor
from benchd.metrology.peak_checks import lag1, two_maxima
from benchd.metrology.peak_light import FIT_REACH, TOO_LITTLE_LIGHT, predicted_U_um
from benchd.metrology.quintic import TERMS, Unsolvable, Window, derivatives, quintic, slope_per_um

__all__ = [
    "LEAST_POINTS",
    "TOO_LITTLE_LIGHT",
    "NoPeak",
    "PeakFit",
    "bell_start",
    "fit_peak",
    "predicted_U_um",
    "two_maxima",
]

FloatArray = NDArray[np.float64]

LEAST_POINTS = 9
"""Points the fit's window must hold: three degrees of freedom for the residuals."""

SLOPE_WEIGHTS_UP_TO = 0.03
"""Position noise, in geometric half-widths, up to which knowing it improves the weights; above, it spoils them."""

NARROWEST_HW = 0.6
"""Half-width at half height, in geometric half-widths, below which a curve is not one of that f-number: a perfect lens
reaches 1.02, noise at the limit of light .87."""

Reason = Literal[
    "too_few_points", "at_edge", "no_maximum", "too_wide", "too_narrow", "flat_top", "outside", "unsettled"
]


class NoPeak(Exception):
    """The points show no usable peak: `reason` for programs, the message for a person."""

    def __init__(self, reason: Reason, text: str) -> None:
        # Both go to the base class, so that the exception can be unpickled from the worker process.
        super().__init__(reason, text)
        self.reason: Reason = reason
        self.text = text

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True, eq=False)
class PeakFit:
    """The peak of the merit, its uncertainty, and the shape of the curve.

    `u_um` is to be taken with t of `dof`. `hwhm_um` is the mean of both sides. `inside` marks, in the order given, the
    points of the window of half-width `half_window_um` about `centre_um`; `coefficients` (6) are of powers of
    (z - centre)/half_window, lowest first, `covariance` (6 x 6) is theirs, scaled by the residuals. `pulls` is how far
    the peak goes per um that the position of a point inside is off, `from_peak_um` where these points stand from the
    peak. `lag1` is the correlation of successive residuals in the order given. Flags:

    noisy          chi-square per dof above 3: vibration, flicker or position noise beyond what the pictures explain
    wide           the curve is more than 1.15 times as wide as the f-number explains
    two_maxima     a real dip between two maxima
    off_centre     more than 0.6 half-widths off the middle of a sweep too short to fill the window: sweep again
    correlated     successive residuals go together: the uncertainty is too small
    window         a wider window puts the peak further away than one and a half half-widths of its 95 % interval
    bounded        of a family of curves: shape, width or bend would go farther than the fit lets them; the uncertainty
                   is that of a width and a bend with twice the room
    floor          of a family of curves: how far the peak can lie was not found, and the uncertainty is a least one
    """

    peak_um: float
    u_um: float
    dof: int
    chi2_per_dof: float
    hwhm_um: float
    height: float
    half_window_um: float
    centre_um: float
    inside: NDArray[np.bool_]
    coefficients: FloatArray
    covariance: FloatArray
    from_peak_um: FloatArray
    pulls: FloatArray
    lag1: float
    flags: tuple[str, ...]

    def passes_on(self, period_um: float) -> complex:
        """What the peak is off by, if every position is by exp(2 pi i z / period), z counted from the peak.

        The modulus is how much of a periodic error of the positions reaches the peak, by the fit's own normal
        equations; the argument is the phase at which it does so most.
        """
        return complex(self.pulls @ np.exp(2j * math.pi * self.from_peak_um / period_um))

    def curve(self, z_um: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """The fitted merit and its standard uncertainty at `z_um`; meaningful inside the window only."""
        x = (np.asarray(z_um, dtype=np.float64) - self.centre_um) / self.half_window_um
        powers = x[..., None] ** np.arange(TERMS)
        variance = np.einsum("...i,ij,...j->...", powers, self.covariance, powers)
        return powers @ self.coefficients, np.sqrt(np.maximum(variance, 0.0))

    def by_coefficients(self, z_um: FloatArray) -> FloatArray:
        """Derivatives of the curve by its coefficients, shape (n, 6)."""
        return np.vander((z_um - self.centre_um) / self.half_window_um, TERMS, increasing=True)

    def by_place(self, z_um: FloatArray) -> FloatArray:
        """Derivative of the curve by place, per um."""
        x = (z_um - self.centre_um) / self.half_window_um
        return np.asarray(polynomial.polyval(x, polynomial.polyder(self.coefficients)) / self.half_window_um)

    def peak_by_coefficients(self) -> FloatArray:
        """Derivatives of the peak (um) by the coefficients, shape (6,)."""
        top = (self.peak_um - self.centre_um) / self.half_window_um
        powers = np.array([k * top ** (k - 1) if k else 0.0 for k in range(TERMS)])
        second = float(polynomial.polyval(top, polynomial.polyder(self.coefficients, 2)))
        return -powers * self.half_window_um / second


def fit_peak(
    z_um: ArrayLike,
    value: ArrayLike,
    u: ArrayLike,
    half_width_um: float,
    *,
    position_u_um: float = 0.0,
    ideal_hwhm_um: float | None = None,
    spent: int = 0,
) -> PeakFit:
    """Fit the peak of a merit over positions; `z_um`, `value`, `u` of shape (n,), **in the order taken**.

    `u` are the standard uncertainties of the values (a scalar for all alike); only their ratios weigh, their size is
    judged by chi-square. `half_width_um` is the geometric half-width, 0.705 N/nu. `position_u_um` is the independent
    noise of a position, if known. `ideal_hwhm_um` is the half-width at half height of a perfect lens of that f-number
    (`benchd.optics.diffraction.ideal_hwhm_um`); without it the width is not judged. A pedestal, such as a meter's dark
    level, must have been taken off. `spent` parameters beside the quintic's were found from the same points, such as a
    latency: so many degrees of freedom are gone.

    Raises NoPeak if the points show no maximum, too few of them surround it, the curve never falls to half, or it is
    narrower than diffraction allows;
    ValueError for rows of unequal length, values not finite or uncertainties not above zero.
    """
    z, v, s = _checked_rows(z_um, value, u, half_width_um)
    if z.size < LEAST_POINTS + spent:
        raise NoPeak("too_few_points", f"{z.size} points; a peak needs at least {LEAST_POINTS + spent}.")
    weight = 1.0 / s
    start = bell_start(z, v, weight, half_width_um)
    try:
        fit = _settle(z, v, weight, start, half_width_um)
        if 0.0 < position_u_um <= SLOPE_WEIGHTS_UP_TO * half_width_um:
            for _ in range(2):
                weight = 1.0 / np.hypot(s, position_u_um * slope_per_um(fit, z))
                fit = quintic(z, v, weight, fit.peak, fit.half)
    except Unsolvable as few:
        raise _too_few(few.count, start, z, spent) from few
    _refuse(fit, z, half_width_um, spent)
    return _finished(fit, _Points(z, v, s, weight), half_width_um, ideal_hwhm_um, spent)


def _checked_rows(
    z_um: ArrayLike, value: ArrayLike, u: ArrayLike, half_width_um: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    z, v = np.asarray(z_um, dtype=np.float64), np.asarray(value, dtype=np.float64)
    s = np.broadcast_to(np.asarray(u, dtype=np.float64), v.shape)
    if z.ndim != 1 or z.shape != v.shape:
        raise ValueError(f"positions and values must be rows of one length, not {z.shape} and {v.shape}")
    if not (np.isfinite(z).all() and np.isfinite(v).all() and np.isfinite(s).all() and (s > 0.0).all()):
        raise ValueError("positions and values must be finite, uncertainties above zero")
    if not (math.isfinite(half_width_um) and half_width_um > 0.0):
        raise ValueError(f"the half-width must be above zero, not {half_width_um}")
    return z, v, s


def bell_start(z: FloatArray, v: FloatArray, weight: FloatArray, half_width: float) -> float:
    """Where a bell of the expected width matches all points best; never the highest single point."""
    low, high = float(z.min()), float(z.max())
    shifts = np.linspace(low, high, 2 + int(4.0 * (high - low) / half_width))
    bells = weight * np.exp(-math.log(2.0) * ((z[None, :] - shifts[:, None]) / half_width) ** 2)
    match = bells @ (weight * v) / np.sqrt(np.einsum("ij,ij->i", bells, bells))
    return float(shifts[int(np.argmax(match))])


def _settle(z: FloatArray, v: FloatArray, weight: FloatArray, start: float, half_width: float) -> Window:
    """Centre the window on the peak, then size it by the half-width measured on the fit."""
    half = 1.25 * half_width
    fit = quintic(z, v, weight, start, half)
    for _ in range(3):
        fit = quintic(z, v, weight, fit.peak, half)
    for _ in range(3):
        half = min(max(FIT_REACH * fit.hwhm(), 0.8 * half_width), 2.0 * half_width)
        fit = quintic(z, v, weight, fit.peak, half)
    return fit


def _too_few(count: int, centre: float, z: FloatArray, spent: int) -> NoPeak:
    if not z.min() < centre < z.max():
        return NoPeak("at_edge", "The merit still rises at the end of the sweep.")
    return NoPeak("too_few_points", f"{count} points around the peak; it needs at least {LEAST_POINTS + spent}.")


def _refuse(fit: Window, z: FloatArray, half_width: float, spent: int) -> None:
    peak, count = fit.peak, int(np.count_nonzero(fit.inside))
    left, right = int(np.count_nonzero(z[fit.inside] < peak)), int(np.count_nonzero(z[fit.inside] > peak))
    if min(left, right) < 2:
        raise NoPeak("at_edge", "The merit still rises at the end of the sweep.")
    if not fit.is_maximum or derivatives(fit.coefficients, fit.top)[1] >= 0.0:
        raise NoPeak("no_maximum", "The points show no maximum.")
    # A quintic turns down by itself beyond its points: half height counts only inside the window and the sweep.
    low, high = max(z.min(), fit.centre - fit.half), min(z.max(), fit.centre + fit.half)
    falls_left = fit.left is not None and peak - fit.half * fit.left >= low
    falls_right = fit.right is not None and peak + fit.half * fit.right <= high
    if not (falls_left or falls_right):
        raise NoPeak("too_wide", "The merit does not fall to half its peak on either side within the sweep.")
    if fit.hwhm() < NARROWEST_HW * half_width:
        raise NoPeak(
            "too_narrow",
            "The curve is narrower than the f-number allows: too noisy, or the lens is faster than recorded.",
        )
    if count < LEAST_POINTS + spent:
        raise _too_few(count, peak, z, spent)


class _Points(NamedTuple):
    z: FloatArray
    v: FloatArray
    s: FloatArray
    weight: FloatArray


def _finished(fit: Window, points: _Points, half_width: float, ideal_hwhm: float | None, spent: int) -> PeakFit:
    z, v, s, weight = points
    inverse = np.linalg.inv(fit.triangle)
    x, w = (z[fit.inside] - fit.centre) / fit.half, weight[fit.inside]
    design = np.vander(x, TERMS, increasing=True)
    residual = (v[fit.inside] - design @ fit.coefficients) * w
    dof = int(residual.size) - TERMS - spent
    chi2_per_dof = float(residual @ residual) / dof
    normal = inverse @ inverse.T
    covariance = normal * chi2_per_dof
    # The peak is where f' = 0, so its derivative by coefficient k is -k x^(k-1) / f''.
    gradient = np.array([k * fit.top ** (k - 1) if k else 0.0 for k in range(TERMS)])
    second = derivatives(fit.coefficients, fit.top)[1]
    u = fit.half * math.sqrt(float(gradient @ covariance @ gradient)) / abs(second)
    # A point told too deep by dz is one whose value is too low by the slope times dz.
    pulls = (gradient @ normal @ design.T) * w**2 * slope_per_um(fit, z[fit.inside]) * fit.half / second
    succession = lag1(residual)
    hwhm = fit.hwhm()
    checks = {
        "noisy": chi2_per_dof > 3.0,
        "wide": ideal_hwhm is not None and hwhm > 1.15 * ideal_hwhm,
        "two_maxima": two_maxima(z, v, s * max(1.0, math.sqrt(chi2_per_dof))),
        "off_centre": _off_centre(fit.peak, z, half_width, FIT_REACH * hwhm),
        # One-sided 1 % of the lag-1 correlation of independent residuals; a fit's own are a little negative.
        "correlated": succession > 2.33 / math.sqrt(residual.size),
        "window": _disagrees(fit, points, 1.5 * coverage_factor(dof) * u),
    }
    return PeakFit(
        peak_um=fit.peak,
        u_um=u,
        dof=dof,
        chi2_per_dof=chi2_per_dof,
        hwhm_um=hwhm,
        height=float(np.polynomial.polynomial.polyval(fit.top, fit.coefficients)),
        half_window_um=fit.half,
        centre_um=fit.centre,
        inside=fit.inside,
        coefficients=fit.coefficients,
        covariance=covariance,
        from_peak_um=z[fit.inside] - fit.peak,
        pulls=pulls,
        lag1=succession,
        flags=tuple(name for name, raised in checks.items() if raised),
    )


def _off_centre(peak: float, z: FloatArray, half_width: float, reach: float) -> bool:
    low, high = float(z.min()), float(z.max())
    return abs(peak - 0.5 * (low + high)) > 0.6 * half_width and min(peak - low, high - peak) < reach


def _disagrees(fit: Window, points: _Points, reach: float) -> bool:
    wider = quintic(points.z, points.v, points.weight, fit.peak, 1.25 * fit.half)
    return wider.is_maximum and abs(wider.peak - fit.peak) > reach
