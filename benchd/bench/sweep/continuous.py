"""The continuous sweep: passes at constant speed both ways, each capture at the mean place of its exposure.

Stamps may be late or early by a constant: it shifts the two ways apart and cancels in their mean. It is found from the
readings themselves and taken off. What it leaves is in the lines of `timing_terms`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from statistics import fmean

import numpy as np

from benchd.bench.sweep.passes import Course, Leg
from benchd.bench.sweep.stream import Pace
from benchd.detectors.registry import whose_curve
from benchd.detectors.values import CurveSeen, Measured
from benchd.errors import Refused
from benchd.metrology.both_ways import BothWays, Way, fit_both_ways
from benchd.metrology.budget import Term, standard_u
from benchd.metrology.peak import NoPeak
from benchd.metrology.trajectory import Trajectory
from benchd.optics.focus_depth import half_width_um

SPACING_HW = 0.26
"""The way from one reading of a pass to the next at most, in geometric half-widths: nine in the middle of the curve."""
BLUR_HW = 0.1
"""The way in one exposure at most: the curve's peak is then blurred by less than readings scatter."""
LONGEST_PASS_S = 60.0
"""A pass that took longer would be no quicker than a stepped sweep, and light and warmth change meanwhile."""
STEADY = 0.25
"""By so much of the speed asked for a reading's own may differ, or it is left out: ramps, and what they shake."""
CLOCKS_APART = 500e-6
"""How fast one clock may be drawn to another at the most (RFC 5905, appendix A, MAXFREQ)."""
TOO_SLOW_ADVICE = "Shorter exposures or integration times, or more readings a second; or leave the mode away."


@dataclass(frozen=True, slots=True)
class PassPlan:
    """The course of a sweep's passes, the slope of offset over carriage on it, the span (um of offset), and the pace of
    captures."""

    course: Course
    slope: float
    span_um: float
    pace: Pace

    @property
    def offset_speed_um_s(self) -> float:
        """How fast the offset changes, without sign."""
        return self.course.speed_um_s * abs(self.slope)

    @property
    def spacing_um(self) -> float:
        """From one reading to the next, as offset."""
        return self.offset_speed_um_s / self.pace.rate_hz

    @property
    def way_um(self) -> float:
        """In one exposure at the most, as offset."""
        return self.offset_speed_um_s * self.pace.exposed_s

    @property
    def least_way_um(self) -> float:
        """In one exposure at the least, as offset."""
        return self.offset_speed_um_s * self.pace.surely_s

    @property
    def expected(self) -> float:
        """Captures in the span, of one way."""
        return self.span_um / self.spacing_um


def offset_speed_um_s(pace: Pace, half_width_um: float, step_um: float | None) -> float:
    """The speed through focus (um/s of offset): as fast as spacing and blur allow, or as `step_um` has it.

    Raises Refused('bad_request') for a step beyond that.
    """
    spaced, blurred = SPACING_HW * half_width_um * pace.rate_hz, BLUR_HW * half_width_um / pace.exposed_s
    fastest = min(spaced, blurred)
    if step_um is None:
        return fastest
    if step_um * pace.rate_hz > fastest:
        why = "they would lie too far apart" if spaced < blurred else "each would be blurred by the motion"
        raise Refused(
            "bad_request",
            f"With {pace.rate_hz:.3g} readings a second, each over {1000.0 * pace.exposed_s:.3g} ms, a step of "
            f"{step_um:g} µm is too fast here: {why}.",
            advice=f"At most {math.floor(100.0 * fastest / pace.rate_hz) / 100.0:g} µm, or leave the step away.",
        )
    return step_um * pace.rate_hz


def fit_legs(
    legs: Sequence[tuple[Sequence[float], Sequence[float], Sequence[tuple[float, float, float, float]]]],
    merit: str,
    seen: CurveSeen,
    latency_s: float,
) -> tuple[BothWays, float] | str:
    """For the worker: `fit_both_ways` of legs, each times, positions, and of each reading stamp, exposure, value and u,
    with the curve of that detector, `seen` by the carriage, and how far its peak may be off by the motion's blur (um);
    or a sentence saying why there is none."""
    ways = []
    for t_s, z_um, readings in legs:
        columns = np.array(readings, dtype=np.float64).reshape(-1, 4).T
        ways.append(Way(Trajectory(t_s, z_um), columns[0], columns[1], columns[2], columns[3]))
    whose = whose_curve(merit)
    half_width = seen.curve_width * half_width_um(seen.f_number, seen.lp_mm)
    try:
        found = fit_both_ways(ways, half_width, latency_s, partial(whose.best_focus, seen=seen))
        return found, whose.blurred_by_um(found.fit, *found.joined, seen)
    except NoPeak as none:
        return none.text


def steady(leg: Leg, plan: PassPlan, latency_s: float) -> list[int]:
    """The captures of a leg, by number, that were taken at about the speed asked for, stamped so late."""
    if not leg.taken:
        return []
    trajectory, speed = Trajectory(leg.t_s, leg.z_um), plan.course.speed_um_s
    taken_s = np.array([one.capture.t_mono for one in leg.taken]) - latency_s
    found = np.abs(trajectory.speed_um_s(taken_s, max(plan.pace.exposed_s, 2.0 * trajectory.longest_gap_s)))
    return [int(i) for i in np.flatnonzero(np.abs(found / speed - 1.0) <= STEADY)]


def readings_of(leg: Leg, numbers: Sequence[int], exposed_s: float) -> list[tuple[float, float, float, float]]:
    """Stamp, exposure, mean value of the channels and its u, of those captures that were measured."""
    rows = []
    for number in numbers:
        one = leg.taken[number]
        if isinstance(one.measured, Measured):
            values, us = zip(*one.measured.values.values(), strict=True)
            rows.append(
                (one.capture.t_mono, one.capture.exposed_s or exposed_s, fmean(values), math.hypot(*us) / len(us))
            )
    return rows


def timing_terms(found: BothWays, blurred_um: float, plan: PassPlan, legs: Sequence[Leg], run: str) -> list[Term]:
    """Lines of the budget for what the residuals of the fit cannot show, as offsets (um).

    Clocks that drift by what latency they add between the way up and the way down, of which half stays in the mean; the
    fit of the latency itself, where the ways do not weigh alike; and the mean over each exposure in place of a point.
    """
    apart_s = fmean(abs(back.middle_s - there.middle_s) for there, back in zip(legs[::2], legs[1::2], strict=True))
    drift_um = 0.5 * plan.offset_speed_um_s * CLOCKS_APART * apart_s
    slope = abs(plan.slope)
    latency = Term("latency", slope * found.u_peak_um, "A", float(found.fit.dof), run)
    surely = f"{1000.0 * plan.pace.surely_s:.3g} to " if plan.pace.surely_s else ""
    lines = [
        Term("clocks", standard_u(drift_um, "rectangular"), "B", None,
             f"stamps drift by {1e6 * CLOCKS_APART:.0f} ppm at most (RFC 5905), {apart_s:.2f} s from one way to the "
             "other", "rectangular"),
        latency,
        Term("motion blur", standard_u(slope * blurred_um, "rectangular"), "B", None,
             f"{surely}{1000.0 * plan.pace.exposed_s:.3g} ms at {plan.offset_speed_um_s:.0f} µm/s", "rectangular"),
    ]  # fmt: skip
    return [line for line in lines if line.u > 0.0]


def told(found: BothWays, plan: PassPlan) -> str:
    """The note of a finding."""
    apart = abs(plan.slope) * found.apart_um
    late = "late" if found.latency_s >= 0.0 else "early"
    return (
        f"Taken at a constant {plan.offset_speed_um_s:.0f} µm/s, both ways, which peak {apart:+.1f} µm apart: readings "
        f"are stamped {1000.0 * abs(found.latency_s):.1f} ms {late} (u {1000.0 * found.u_latency_s:.1f} ms), which is "
        "taken off."
    )
