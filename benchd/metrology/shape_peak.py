"""Best focus by a family of curves, for merits whose top no polynomial follows: light through a slit is nearly a cusp.

The family is a table of curves over focus and one parameter of their shape, from the optics of the merit. Six numbers
are fitted: the peak itself, height, shape, width, pedestal, and by how much the scale of focus grows along the curve.
The width is free as the f-number is not known well enough, the pedestal as stray light is not, and the last as a mirror
before the lens, whose distance is not known, bends the scale (it sends light back at x (1 + 2 L x / f^2), L before the
lens's front focal point): held at nothing it would move the peak by 0.2 um at f/2 and 1 um at f/5.6, L 150 mm and f 50
mm (own computation). Shape and bend are hardly told apart in noise, and the peak goes with them along a curved valley,
or along two, of a skew either way, that are about as deep: so its uncertainty is not that of the covariance alone, but
by how far it can go in either until chi-square, scaled by the residuals, has grown as it should at the end of a 95 %
interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchd.metrology.distribution import coverage_factor
from benchd.metrology.peak import LEAST_POINTS, SLOPE_WEIGHTS_UP_TO, NoPeak, PeakFit
from benchd.metrology.peak_checks import lag1, two_maxima
from benchd.metrology.shape_family import Family
from benchd.metrology.shape_search import Search, jacobian, model

FloatArray = NDArray[np.float64]

TERMS = 6
REACH = 1.6
"""Points within so many half-widths at half height of the peak are fitted; a sweep reaches 1.5."""

MOST_OF_SHAPE, SURE_OF_SHAPE = 0.97, 0.25
"""A shape farther out in the family, by shares of its reach, is one that may as well lie outside, if it is known within
such a share; noise takes some there."""

MOST_DOF = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class ShapePeak(PeakFit):
    """As `PeakFit`, but for the curve: `coefficients` (6) are peak (um), height, shape, width, pedestal and bend, and
    `covariance` (6 x 6) is theirs. `outside`: its shape is at the end of the family."""

    family: Family
    half_width_um: float
    outside: bool

    def curve(self, z_um: ArrayLike) -> tuple[FloatArray, FloatArray]:
        z = np.asarray(z_um, dtype=np.float64)
        slopes = jacobian(self.family, z, self.half_width_um, self.coefficients)
        variance = np.einsum("...i,ij,...j->...", slopes, self.covariance, slopes)
        return model(self.family, z, self.half_width_um, self.coefficients), np.sqrt(np.maximum(variance, 0.0))

    def by_coefficients(self, z_um: FloatArray) -> FloatArray:
        return jacobian(self.family, z_um, self.half_width_um, self.coefficients)

    def by_place(self, z_um: FloatArray) -> FloatArray:
        return np.asarray(-self.by_coefficients(z_um)[:, 0], dtype=np.float64)  # a curve goes with its peak

    def peak_by_coefficients(self) -> FloatArray:
        return np.array([1.0, *(TERMS - 1) * [0.0]])


def fit_shapes(
    z_um: ArrayLike,
    value: ArrayLike,
    u: ArrayLike,
    half_width_um: float,
    family: Family,
    *,
    position_u_um: float = 0.0,
    spent: int = 0,
) -> ShapePeak:
    """Fit a curve of the family to values over positions, **in the order taken**; arguments and refusals as those of
    `benchd.metrology.peak.fit_peak`. A pedestal need not have been taken off."""
    z, v = np.asarray(z_um, dtype=np.float64), np.asarray(value, dtype=np.float64)
    s = np.broadcast_to(np.asarray(u, dtype=np.float64), v.shape)
    if z.size < LEAST_POINTS + spent:
        raise NoPeak("too_few_points", f"{z.size} points; a peak needs at least {LEAST_POINTS + spent}.")
    weight = 1.0 / s
    valleys = Search(family, z, v, weight, half_width_um).valleys()
    if 0.0 < position_u_um <= SLOPE_WEIGHTS_UP_TO * half_width_um:
        weight = 1.0 / np.hypot(s, _by_position(family, z, half_width_um, valleys[0], position_u_um))
    inside = np.abs(z - valleys[0][0]) <= REACH * _hwhm_um(family, valleys[0], half_width_um)
    search = Search(family, z[inside], v[inside], weight[inside], half_width_um)
    if np.count_nonzero(inside) >= LEAST_POINTS + spent:
        valleys = search.valleys(valleys[0])
    _refuse(valleys[0], z, inside, _hwhm_um(family, valleys[0], half_width_um), spent)
    return _finished(search, valleys, (z, v, weight), inside, spent)


def _by_position(family: Family, z: FloatArray, half_width: float, found: FloatArray, u_um: float) -> FloatArray:
    """Standard deviation of the values by that of the positions, of three points as Gauss and Hermite: at a cusp the
    slope alone is nothing where positions matter."""
    here, *beside = (model(family, z + by * u_um, half_width, found) for by in (0.0, -math.sqrt(3.0), math.sqrt(3.0)))
    return np.asarray(np.sqrt(sum((one - here) ** 2 for one in beside) / 6.0), dtype=np.float64)


def _hwhm_um(family: Family, found: FloatArray, half_width: float) -> float:
    return family.hwhm(float(found[2])) * float(found[3]) * half_width


def _refuse(found: FloatArray, z: FloatArray, inside: NDArray[np.bool_], hwhm: float, spent: int) -> None:
    peak, height = float(found[0]), float(found[1])
    if height <= 0.0:
        raise NoPeak("no_maximum", "The points show no maximum.")
    used = z[inside]
    if min(np.count_nonzero(used < peak), np.count_nonzero(used > peak)) < 2:
        raise NoPeak("at_edge", "The merit still rises at the end of the sweep.")
    if max(peak - used.min(), used.max() - peak) < hwhm:
        raise NoPeak("too_wide", "The merit does not fall to half its peak on either side within the sweep.")
    if used.size < LEAST_POINTS + spent:
        text = f"{used.size} points around the peak; it needs at least {LEAST_POINTS + spent}."
        raise NoPeak("too_few_points", text)


def _finished(
    search: Search,
    valleys: Sequence[FloatArray],
    points: tuple[FloatArray, FloatArray, FloatArray],
    inside: NDArray[np.bool_],
    spent: int,
) -> ShapePeak:
    family, half_width, found = search.family, search.half_width, valleys[0]
    z, v, weight = points
    used, w = z[inside], weight[inside]
    slopes = jacobian(family, used, half_width, found)
    residual = (v[inside] - model(family, used, half_width, found)) * w
    dof = int(used.size) - TERMS - spent
    chi2_per_dof = float(residual @ residual) / dof
    normal = np.linalg.pinv((slopes * w[:, None]).T @ (slopes * w[:, None]), hermitian=True)
    covariance = np.asarray(normal * chi2_per_dof, dtype=np.float64)
    # A point told too deep by dz is one whose value is too low by the slope times dz; the slope by the peak is minus
    # that by the place.
    pulls = (normal @ slopes.T)[0] * w**2 * slopes[:, 0]
    hwhm, peak = _hwhm_um(family, found, half_width), float(found[0])
    local, k = math.sqrt(float(covariance[0, 0])), coverage_factor(float(dof))
    reach, all_found = search.reaches(valleys, local, chi2_per_dof, k)
    variance = reach**2
    of_family = (family.u_peak * half_width) ** 2
    low, high, succession = float(z.min()), float(z.max()), lag1(residual)
    off_centre = abs(peak - 0.5 * (low + high)) > 0.6 * half_width and min(peak - low, high - peak) < hwhm
    checks = {
        "noisy": chi2_per_dof > 3.0,
        "wide": hwhm > 1.15 * family.hwhm(0.0) * half_width,
        "two_maxima": two_maxima(z, v, max(1.0, math.sqrt(chi2_per_dof)) / weight),
        "off_centre": off_centre,
        "correlated": succession > 2.33 / math.sqrt(residual.size),
        "bounded": search.stopped(found),
        "floor": not all_found,
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
