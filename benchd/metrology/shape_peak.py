"""Best focus by a family of curves, for merits whose top no polynomial follows: light through a slit is nearly a cusp.

The family is a table of curves over focus and one parameter of their shape, from the optics of the merit. Six numbers
are fitted: the peak itself, height, shape, width, pedestal, and by how much the scale of focus grows along the curve.
The width is free as the f-number is not known well enough, the pedestal as stray light is not, and the last as a mirror
before the lens, whose distance is not known, bends the scale (it sends light back at x (1 + 2 L x / f^2), L before the
lens's front focal point): held at nothing it would move the peak by 0.2 um at f/2 and 1 um at f/5.6, L 150 mm and f 50
mm (own computation). Shape and bend are hardly told apart in noise, and the peak goes with them along a curved valley:
so its uncertainty is not that of the covariance alone, but by how far it can go until chi-square, scaled by the
residuals, has grown as it should at the end of a 95 % interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchd.metrology.distribution import coverage_factor
from benchd.metrology.peak import LEAST_POINTS, SLOPE_WEIGHTS_UP_TO, NoPeak, PeakFit
from benchd.metrology.peak_checks import lag1, two_maxima

FloatArray = NDArray[np.float64]

TERMS = 6
REACH = 1.6
"""Points within so many half-widths at half height of the peak are fitted; a sweep reaches 1.5."""

STARTS = (-0.2, 0.2)
"""Shapes that the search begins with, in shares of the family's reach: of two valleys the deeper one counts."""

MOST_OF_SHAPE, SURE_OF_SHAPE = 0.97, 0.25
"""A shape farther out in the family, by shares of its reach, is one that may as well lie outside, if it is known within
such a share; noise takes some there."""

WIDTHS = (0.55, 1.8)
"""Bounds of the width beside that of the f-number: diffraction is in the family, and no f-number is that wrong."""

MOST_BENT = 0.1
"""Bound of the growth of scale, relative, over one geometric half-width: a mirror 200 mm before an 18 mm lens at f/5.6,
and a slit of 25 um."""

TOLERANCE = 1e-9
PROFILED, NEAR_ENOUGH = 5, 0.05
"""Steps of the search for where chi-square has grown enough, and how near to that it ends."""

MOST_DOF = 1_000_000


class Shapes(NamedTuple):
    """Values of curves: rows over focus `u`, in geometric half-widths, columns over the parameter `shape`."""

    u: FloatArray
    shape: FloatArray
    value: FloatArray


class Family:
    """A table of curves that can be read between its entries, each counted from its own peak and of height 1.

    `u_peak` is the standard uncertainty, in geometric half-widths, by which the best curve of the family peaks beside
    one that is a little outside: no noise shows that.
    """

    def __init__(self, shapes: Shapes, u_peak: float = 0.0) -> None:
        from scipy.interpolate import CubicSpline, RectBivariateSpline

        self.u_peak = u_peak
        self.reach = float(shapes.shape[-1])
        self._last = float(shapes.u[-1])
        self._values = RectBivariateSpline(shapes.u, shapes.shape, shapes.value, kx=3, ky=3)
        fine = np.linspace(-self._last, self._last, 4001)
        curves = np.asarray(self._values(fine, shapes.shape))
        tops = curves.argmax(axis=0)
        self._top = CubicSpline(shapes.shape, [_vertex(fine, curves[:, i], at) for i, at in enumerate(tops)])

    def curve(self, beyond: FloatArray, shape: float) -> FloatArray:
        """At places `beyond` the peak, in geometric half-widths."""
        top = float(self._top(shape))
        places = np.clip(np.append(top + beyond, top), -self._last, self._last)
        values = np.asarray(self._values.ev(places, np.full(places.size, shape)), dtype=np.float64)
        return np.asarray(values[:-1] / values[-1], dtype=np.float64)

    def hwhm(self, shape: float) -> float:
        """Half-width at half height, the mean of both sides, in geometric half-widths."""
        beyond = np.linspace(0.0, 3.0, 1201)
        sides = [beyond[int(np.argmax(self.curve(sign * beyond, shape) < 0.5))] for sign in (-1.0, 1.0)]
        return float(np.mean(sides))


@dataclass(frozen=True, slots=True, eq=False)
class ShapePeak(PeakFit):
    """As `PeakFit`, but for the curve: `coefficients` (6) are peak (um), height, shape, width, pedestal and bend, and
    `covariance` (6 x 6) is theirs. `outside`: its shape is at the end of the family."""

    family: Family
    half_width_um: float
    outside: bool

    def curve(self, z_um: ArrayLike) -> tuple[FloatArray, FloatArray]:
        z = np.asarray(z_um, dtype=np.float64)
        slopes = _jacobian(self.family, z, self.half_width_um, self.coefficients)
        variance = np.einsum("...i,ij,...j->...", slopes, self.covariance, slopes)
        return _model(self.family, z, self.half_width_um, self.coefficients), np.sqrt(np.maximum(variance, 0.0))


def fit_shapes(
    z_um: ArrayLike,
    value: ArrayLike,
    u: ArrayLike,
    half_width_um: float,
    family: Family,
    *,
    position_u_um: float = 0.0,
) -> ShapePeak:
    """Fit a curve of the family to values over positions, **in the order taken**; arguments and refusals as those of
    `benchd.metrology.peak.fit_peak`. A pedestal need not have been taken off."""
    z, v = np.asarray(z_um, dtype=np.float64), np.asarray(value, dtype=np.float64)
    s = np.broadcast_to(np.asarray(u, dtype=np.float64), v.shape)
    if z.size < LEAST_POINTS:
        raise NoPeak("too_few_points", f"{z.size} points; a peak needs at least {LEAST_POINTS}.")
    weight = 1.0 / s
    found = _Search(family, z, v, weight, half_width_um).best()
    if 0.0 < position_u_um <= SLOPE_WEIGHTS_UP_TO * half_width_um:
        slope = _jacobian(family, z, half_width_um, found)[:, 0]
        weight = 1.0 / np.hypot(s, slope * position_u_um)
    hwhm = _hwhm_um(family, found, half_width_um)
    inside = np.abs(z - found[0]) <= REACH * hwhm
    if np.count_nonzero(inside) >= LEAST_POINTS:
        found = _Search(family, z[inside], v[inside], weight[inside], half_width_um).best(found)
        hwhm = _hwhm_um(family, found, half_width_um)
    _refuse(found, z, inside, hwhm)
    return _finished(family, found, (z, v, s, weight), inside, half_width_um)


def _vertex(x: FloatArray, y: FloatArray, at: int) -> float:
    """The top of the parabola through the highest entry and its neighbours."""
    at = min(max(at, 1), x.size - 2)
    a, b, c = y[at - 1 : at + 2]
    return float(x[at] + 0.5 * (x[1] - x[0]) * (a - c) / (a - 2.0 * b + c))


def _model(family: Family, z: FloatArray, half_width: float, found: FloatArray) -> FloatArray:
    peak, height, shape, width, pedestal, bend = found
    beyond = (z - peak) / (width * half_width)
    beyond = beyond * (1.0 + bend * beyond)
    return np.asarray(pedestal + height * family.curve(beyond.ravel(), shape).reshape(z.shape), dtype=np.float64)


def _jacobian(family: Family, z: FloatArray, half_width: float, found: FloatArray) -> FloatArray:
    """Derivatives by the six numbers, shape (n, 6); steps as small as a spline's own smoothness bears."""
    steps = np.array([1e-4 * half_width, 1e-3 * abs(found[1]), 1e-3 * family.reach, 1e-4, 1e-3 * abs(found[1]), 1e-4])
    columns = []
    for i, step in enumerate(steps):
        by = np.zeros(TERMS)
        by[i] = step
        after, before = (_model(family, z, half_width, found + sign * by) for sign in (1.0, -1.0))
        columns.append((after - before) / (2.0 * step))
    return np.stack(columns, axis=-1)


class _Search:
    """Points, and the best curve of the family through them. Height and pedestal are linear: each trial of the other
    four numbers has its own."""

    def __init__(self, family: Family, z: FloatArray, v: FloatArray, weight: FloatArray, half_width: float) -> None:
        self.family, self.z, self.v, self.weight, self.half_width = family, z, v, weight, half_width

    def whole(self, trial: Any) -> FloatArray:
        """All six numbers of a trial of peak, shape, width and bend."""
        peak, shape, width, bend = (float(one) for one in trial)
        curve = _model(self.family, self.z, self.half_width, np.array([peak, 1.0, shape, width, 0.0, bend]))
        design = np.stack([curve, np.ones_like(curve)], axis=1)
        height, pedestal = np.linalg.lstsq(design * self.weight[:, None], self.v * self.weight, rcond=None)[0]
        return np.array([peak, height, shape, width, pedestal, bend])

    def off(self, trial: Any) -> FloatArray:
        """Weighted residuals."""
        by = _model(self.family, self.z, self.half_width, self.whole(trial)) - self.v
        return np.asarray(by * self.weight, dtype=np.float64)

    def best(self, known: FloatArray | None = None) -> FloatArray:
        """Of the searches from several starts, or from what is `known` to be near."""
        low, high = float(self.z.min()), float(self.z.max())
        if known is not None:
            starts = [known[[0, 2, 3, 5]]]
        else:
            about = np.linspace(low, high, 41)[1:-1]
            peak = min(about, key=lambda place: float(np.sum(self.off([place, 0.0, 1.0, 0.0]) ** 2)))
            starts = [np.array([peak, share * self.family.reach, 1.0, 0.0]) for share in STARTS]
        bounds = [low, -self.family.reach, WIDTHS[0], -MOST_BENT], [high, self.family.reach, WIDTHS[1], MOST_BENT]
        scale = [0.1 * self.half_width, 0.2 * self.family.reach, 0.1, 0.05]
        tries = [self._least(self.off, start, bounds, scale) for start in starts]
        return self.whole(min(tries, key=lambda one: float(one.cost)).x)

    def reaches(self, found: FloatArray, u_um: float, chi2_per_dof: float, k: float) -> float:
        """The standard uncertainty of the peak by how far it can go before chi-square has grown as much as `k` standard
        uncertainties make it, the other numbers following: the farther of both sides, and no less than `u_um`."""
        least, allowed = float(np.sum(self.off(found[[0, 2, 3, 5]]) ** 2)), k**2 * chi2_per_dof
        bounds = [-self.family.reach, WIDTHS[0], -MOST_BENT], [self.family.reach, WIDTHS[1], MOST_BENT]
        scale = [0.2 * self.family.reach, 0.1, 0.05]
        farthest = k * u_um
        for side in (-1.0, 1.0):
            away, others = k * u_um, found[[2, 3, 5]]
            for _ in range(PROFILED):
                peak = float(found[0]) + side * away
                tried = self._least(lambda rest, peak=peak: self.off([peak, *rest]), others, bounds, scale)
                grown = (2.0 * float(tried.cost) - least) / allowed
                if grown >= 1.0 - NEAR_ENOUGH:
                    away /= math.sqrt(max(grown, 1.0))
                    break
                others, away = tried.x, away / math.sqrt(max(grown, 0.25))
            farthest = max(farthest, away)
        return farthest / k

    @staticmethod
    def _least(off: Any, start: FloatArray, bounds: Any, scale: Any) -> Any:
        from scipy.optimize import least_squares

        inside = np.clip(start, bounds[0], bounds[1])
        return least_squares(off, inside, bounds=bounds, x_scale=scale, xtol=TOLERANCE, ftol=TOLERANCE)


def _hwhm_um(family: Family, found: FloatArray, half_width: float) -> float:
    return family.hwhm(float(found[2])) * float(found[3]) * half_width


def _refuse(found: FloatArray, z: FloatArray, inside: NDArray[np.bool_], hwhm: float) -> None:
    peak, height = float(found[0]), float(found[1])
    if height <= 0.0:
        raise NoPeak("no_maximum", "The points show no maximum.")
    used = z[inside]
    if min(np.count_nonzero(used < peak), np.count_nonzero(used > peak)) < 2:
        raise NoPeak("at_edge", "The merit still rises at the end of the sweep.")
    if max(peak - used.min(), used.max() - peak) < hwhm:
        raise NoPeak("too_wide", "The merit does not fall to half its peak on either side within the sweep.")
    if used.size < LEAST_POINTS:
        text = f"{used.size} points around the peak; it needs at least {LEAST_POINTS}."
        raise NoPeak("too_few_points", text)


def _finished(
    family: Family,
    found: FloatArray,
    points: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    inside: NDArray[np.bool_],
    half_width: float,
) -> ShapePeak:
    z, v, s, weight = points
    used, w = z[inside], weight[inside]
    slopes = _jacobian(family, used, half_width, found)
    residual = (v[inside] - _model(family, used, half_width, found)) * w
    dof = int(used.size) - TERMS
    chi2_per_dof = float(residual @ residual) / dof
    normal = np.linalg.pinv((slopes * w[:, None]).T @ (slopes * w[:, None]), hermitian=True)
    covariance = np.asarray(normal * chi2_per_dof, dtype=np.float64)
    # A point told too deep by dz is one whose value is too low by the slope times dz; the slope by the peak is minus
    # that by the place.
    pulls = (normal @ slopes.T)[0] * w**2 * slopes[:, 0]
    hwhm, peak = _hwhm_um(family, found, half_width), float(found[0])
    search = _Search(family, used, v[inside], w, half_width)
    local, k = math.sqrt(float(covariance[0, 0])), coverage_factor(float(dof))
    variance = search.reaches(found, local, chi2_per_dof, k) ** 2
    of_family = (family.u_peak * half_width) ** 2
    low, high, succession = float(z.min()), float(z.max()), lag1(residual)
    off_centre = abs(peak - 0.5 * (low + high)) > 0.6 * half_width and min(peak - low, high - peak) < hwhm
    checks = {
        "noisy": chi2_per_dof > 3.0,
        "wide": hwhm > 1.15 * family.hwhm(0.0) * half_width,
        "two_maxima": two_maxima(z, v, s * max(1.0, math.sqrt(chi2_per_dof))),
        "off_centre": off_centre,
        "correlated": succession > 2.33 / math.sqrt(residual.size),
    }
    return ShapePeak(
        peak_um=peak,
        u_um=math.sqrt(variance + of_family),
        dof=min(MOST_DOF, int(dof * ((variance + of_family) / variance) ** 2)),
        chi2_per_dof=chi2_per_dof,
        hwhm_um=hwhm,
        height=float(found[1] + found[4]),
        half_window_um=0.5 * float(used.max() - used.min()),
        centre_um=0.5 * float(used.max() + used.min()),
        inside=inside,
        coefficients=found,
        covariance=covariance,
        from_peak_um=used - peak,
        pulls=pulls,
        lag1=succession,
        flags=tuple(name for name, raised in checks.items() if raised),
        family=family,
        half_width_um=half_width,
        outside=abs(float(found[2])) > MOST_OF_SHAPE * family.reach
        and math.sqrt(float(covariance[2, 2])) < SURE_OF_SHAPE * family.reach,
    )
