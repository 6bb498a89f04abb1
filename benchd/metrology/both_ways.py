"""Latency of readings taken at constant speed both ways, and the places that are left when it is taken off.

Stamps that are late by tau have a reading taken on the way up told too deep by v tau, and one on the way down too
shallow by as much. The shape of the curve is the same both ways, so that one curve through all readings and one tau
are fitted together: places follow from the trajectories at the stamps less tau, also where the speed ripples.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.metrology.peak import NoPeak, PeakFit, bell_start, fit_peak
from benchd.metrology.trajectory import Trajectory

Floats = NDArray[np.float64]
Fit = Callable[[Floats, Floats, Floats], PeakFit]
"""The fit of values with their u over places, one degree of freedom spent on the latency. Raises NoPeak."""

ROUNDS = 8
SETTLED_UM = 1e-3
"""So little a further round would shift a reading by."""
NEGLIGIBLE = 0.02
"""Or change the latency by, in standard uncertainties of it."""

SINGULAR = 1e-12
"""Singular values below this share of the largest are rounding: what they belong to the readings do not tell."""

LEAST_OF_A_WAY = 5
"""Readings of each way inside the window of the fit: fewer do not tell that way's peak from the other's."""


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """One pass: where it went, and of each reading, shape (n,), its stamp and exposure (s), value and u."""

    trajectory: Trajectory
    t_s: Floats
    exposed_s: Floats
    value: Floats
    u: Floats

    def at(self, latency_s: float) -> tuple[Floats, Floats]:
        """Mean place and speed while each was gathered, were the stamps so late; NaN beyond the trajectory."""
        middle = self.t_s - latency_s
        over = np.maximum(self.exposed_s, 2.0 * self.trajectory.longest_gap_s)
        return self.trajectory.mean_um(middle, self.exposed_s), self.trajectory.speed_um_s(middle, over)


@dataclass(frozen=True, slots=True, eq=False)
class BothWays:
    """The fit of all passes together, with `latency_s` taken off and its standard uncertainty; `apart_um` is how far
    the peaks of the two ways lie apart before. `places_um` holds one array a way, NaN for a reading that is not used.
    `joined` is place, value and u of all others in the order taken, as fitted. `u_peak_um` is what the latency adds to
    the fit's own u of the peak: nothing where both ways weigh alike.
    """

    fit: PeakFit
    latency_s: float
    u_latency_s: float
    apart_um: float
    places_um: Sequence[Floats]
    u_peak_um: float
    joined: tuple[Floats, Floats, Floats]


def fit_both_ways(
    ways: Sequence[Way], half_width_um: float, latency_s: float = 0.0, fit_curve: Fit | None = None
) -> BothWays:
    """One peak and one latency from passes of both directions; `half_width_um` is the geometric one, `latency_s` about
    what is known of the latency, `fit_curve` fits a curve that is not of a modulation.

    Raises NoPeak as `fit_peak`, (too_few_points) where a direction has too few readings about the peak, and (unsettled)
    where no latency is found.
    """
    latency = _start(ways, half_width_um, latency_s)
    for _ in range(ROUNDS):
        z, speed, v, u = _joined(ways, latency)
        fit = fit_peak(z, v, u, half_width_um, spent=1) if fit_curve is None else fit_curve(z, v, u)
        step, sd, u_peak = _step(fit, z, speed, v, u)
        latency += step
        shifts_um = abs(step) * float(np.abs(speed).max())
        if shifts_um < SETTLED_UM or abs(step) < NEGLIGIBLE * sd:
            break
    else:
        # A reading at the window's end that one latency takes in and the next leaves out: no harm while that is noise.
        if abs(step) > sd:
            raise NoPeak(
                "unsettled",
                f"The two ways agree on no latency: after {ROUNDS} rounds the next would still shift readings by "
                f"{shifts_um:.2g} µm, as noisy ones come into the fit and drop out of it in turn. Give more light, or "
                "sweep slower, so that more readings lie about the peak.",
            )
        sd = math.hypot(sd, step)
    places = [way.at(latency)[0] for way in ways]
    up, down = (np.count_nonzero(fit.inside & (np.sign(speed) == sign)) for sign in (1.0, -1.0))
    if min(up, down) < LEAST_OF_A_WAY:
        raise NoPeak("too_few_points", f"{up} and {down} readings of the two ways about the peak; {LEAST_OF_A_WAY} are "
                     "the fewest of each.")  # fmt: skip
    mean_speed = float(np.abs(speed[fit.inside]).mean())
    return BothWays(fit, latency, sd, 2.0 * latency * mean_speed, places, u_peak, (z, v, u))


def _start(ways: Sequence[Way], half_width_um: float, latency_s: float) -> float:
    """Latency at which bells of the expected width, each matched to one way alone, come to lie at one place."""
    peaks, speeds = [], []
    for way in ways:
        place, speed = way.at(latency_s)
        known = np.isfinite(place) & np.isfinite(speed)
        if np.count_nonzero(known) < LEAST_OF_A_WAY:
            raise NoPeak("too_few_points", f"{np.count_nonzero(known)} readings of a pass have a place.")
        peaks.append(bell_start(place[known], way.value[known], 1.0 / way.u[known], half_width_um))
        speeds.append(float(np.median(speed[known])))
    if min(speeds) >= 0.0 or max(speeds) <= 0.0:
        raise ValueError("passes of both directions are needed")
    slope, _ = np.polyfit(speeds, peaks, 1)
    return latency_s + float(slope)


def _joined(ways: Sequence[Way], latency_s: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Place, speed, value and u of all readings whose place is known, in the order taken."""
    at = [way.at(latency_s) for way in ways]
    place, speed = (np.concatenate([one[i] for one in at]) for i in (0, 1))
    value, u = np.concatenate([way.value for way in ways]), np.concatenate([way.u for way in ways])
    known = np.isfinite(place) & np.isfinite(speed)
    return place[known], speed[known], value[known], u[known]


def _step(fit: PeakFit, z: Floats, speed: Floats, v: Floats, u: Floats) -> tuple[float, float, float]:
    """How much later the stamps are than taken, its standard uncertainty, and that which it adds to the peak: one step
    of Gauss and Newton, with the curve's coefficients free."""
    used, weight = z[fit.inside], 1.0 / u[fit.inside]
    design = np.column_stack([fit.by_coefficients(used), -fit.by_place(used) * speed[fit.inside]]) * weight[:, None]
    residual = (v[fit.inside] - fit.curve(used)[0]) * weight
    # Columns of one size, so that it does not go by their units what is left out as undetermined: a shape at the end of
    # its family is.
    size = np.linalg.norm(design, axis=0)
    size[size == 0.0] = 1.0
    inverse = np.linalg.pinv(design / size, rcond=SINGULAR) / size[:, None]
    found = inverse @ residual
    left = residual - design @ found
    spread = float(left @ left) / max(1, left.size - design.shape[1])
    covariance = spread * (inverse @ inverse.T)
    peak_by = fit.peak_by_coefficients()
    variance = float(peak_by @ (covariance[:-1, :-1] - fit.covariance) @ peak_by)
    return float(found[-1]), float(np.sqrt(covariance[-1, -1])), float(np.sqrt(max(0.0, variance)))


def blur_shift_um(fit: PeakFit, way_um: float) -> float:
    """How far the peak is shifted where each reading is the mean over `way_um`, without its sign.

    The mean of f over w has the slope (f(z + w/2) - f(z - w/2)) / w: from the peak of f one step of Newton to where
    that is nothing. To first order it is w^2/24 of the third derivative over the second, whatever curve was fitted.
    """
    if way_um == 0.0:
        return 0.0
    ends = fit.peak_um + 0.5 * way_um * np.array([-1.0, 1.0])
    rises, bends = np.diff(fit.curve(ends)[0]), np.diff(fit.by_place(ends))
    return abs(float(rises[0] / bends[0]))
