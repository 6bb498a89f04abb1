"""From sweeps to best focus: select comparable sweeps, average channels, then one fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby, takewhile
from statistics import fmean
from typing import TYPE_CHECKING

from benchd.assessments.curve import Curve, points_of_picture
from benchd.detectors.registry import whose_curve
from benchd.detectors.values import CurveSeen
from benchd.errors import Refused
from benchd.metrology.budget import Term
from benchd.metrology.peak import NoPeak, PeakFit

if TYPE_CHECKING:
    from benchd.bench.sweep.sweep_data import SweepData, SweepPoint
    from benchd.questions.evidence import Evidence

ALIKE = 1.1
"""Ways of so many times each other count as alike: the pace is told anew for each sweep. What they blur goes by the
square, and that by a fifth lies far below what readings scatter."""


@dataclass(frozen=True, slots=True)
class FitOrder:
    """Parameters of a fit beside the points: f-number, frequency (lp/mm), light (nm), noise of a position (um), the
    arrangement's factor on the curve width, how many latencies were found from the same points, and the way (um) over
    which each was gathered at the most and at the least. `merit` names the detector, whose own curve is fitted."""

    f_number: float
    lp_mm: float
    light_nm: float
    position_u_um: float
    curve_width: float = 1.0
    merit: str | None = None
    latencies: int = 0
    way_um: float = 0.0
    least_way_um: float = 0.0


def curve_of(points: Sequence[SweepPoint], position_u_um: float) -> Curve:
    """The curve of a sweep: the channels of a point averaged, since they share the carriage."""
    return Curve.from_points(
        (
            channel
            for point in points
            for channel in points_of_picture(
                point.channels,
                offset_um=point.offset_um,
                t_mono=point.t_mono,
                repeat=point.repeat,
                position_u_um=position_u_um,
            )
        ),
        list(dict.fromkeys(channel for point in points for channel in point.channels)),
    )


def fit_points(points: Sequence[SweepPoint], order: FitOrder) -> PeakFit | str:
    """The fit, or a sentence saying why there is none."""
    curve = curve_of(points, order.position_u_um)
    seen = CurveSeen(
        order.f_number,
        order.lp_mm,
        order.light_nm,
        order.curve_width,
        order.position_u_um,
        order.latencies,
        order.way_um,
        order.least_way_um,
    )
    try:
        return whose_curve(order.merit).best_focus(curve.offset_um, curve.value, curve.u, seen)
    except NoPeak as none:
        return none.text


def best_focus(sweeps: Sequence[SweepData], evidence: Evidence) -> PeakFit:
    """The fit of all points of `sweeps`, which measured the same, by the parameters of the first.

    Raises Refused('not_found'), also for sweeps that lie on different curves as they were blurred by different ways."""
    points, sweep = [point for one in sweeps for point in one.points], sweeps[0]
    ways_um = [one.way_um for one in sweeps]
    if whose_curve(sweep.merit).curve_by_way and max(ways_um) > ALIKE * min(ways_um):
        raise Refused(
            "not_found",
            f"These {len(sweeps)} sweeps lie on different curves: a reading of theirs is the mean over "
            f"{min(ways_um):.3g} µm in one and over {max(ways_um):.3g} µm in another, as the carriage stood or went "
            "faster.",
            advice="Take all of them in one mode and at one step, in a run of their own.",
        )
    order = FitOrder(
        sweep.f_number,
        sweep.lp_mm,
        evidence.light_nm,
        evidence.position_u_um,
        evidence.arrangement.curve_width,
        sweep.merit,
        sum(one.latencies for one in sweeps),
        max(ways_um),
        min(one.least_way_um for one in sweeps),
    )
    fit = fit_points(points, order)
    if isinstance(fit, str):
        raise Refused("not_found", fit, advice="Sweep again about the peak, with more readings or more light.")
    return fit


def carriage_at_peak_um(fit: PeakFit, points: Sequence[SweepPoint]) -> float:
    """The carriage's own place at the peak: where nominal was said to be does not enter."""
    return fit.peak_um + fmean(point.carriage_um - point.offset_um for point in points)


def passed_on(fits: Sequence[PeakFit], period_um: float | None) -> float | None:
    """How much of the scale's periodic error (period in offset) reaches the mean peak; None where none is stated.

    The places of several seatings are taken to lie at one phase: on the safe side.
    """
    return None if period_um is None else fmean(abs(fit.passes_on(period_um)) for fit in fits)


def timing_of(sweeps: Sequence[SweepData]) -> list[Term]:
    """The lines of continuous sweeps about their time stamps, of each kind the largest: several share their clocks."""
    largest: dict[str, Term] = {}
    for term in (term for sweep in sweeps for term in sweep.timing):
        if term.term not in largest or term.u > largest[term.term].u:
            largest[term.term] = term
    return list(largest.values())


def with_timing(fit: PeakFit, sweep: SweepData) -> PeakFit:
    """The fit with the lines about time stamps in its u, for a question that has one line for a sweep."""
    return replace(fit, u_um=math.hypot(fit.u_um, *(term.u for term in sweep.timing)))


def flags_of(sweeps: Sequence[SweepData]) -> list[str]:
    """The flags of all sweeps, each once, for the finding's notes."""
    return list(dict.fromkeys(flag for sweep in sweeps for flag in sweep.flags))


def span_of(points: Sequence[SweepPoint]) -> tuple[int, int]:
    """The first and the last index of readings."""
    return min(point.idx for point in points), max(point.idx for point in points)


def by_seating(sweeps: Sequence[SweepData]) -> list[list[SweepData]]:
    """The sweeps of each seating of the lens, in the order taken."""
    return [list(seated) for _, seated in groupby(sweeps, key=lambda sweep: sweep.seating)]


def comparable_sweeps(sweeps: Sequence[SweepData]) -> tuple[list[SweepData], list[str]]:
    """The last sweeps that are comparable, and a note on those before them: different merits have different peaks.

    A sweep before one that differs is left out too: a finding names its readings by first and last index.
    """
    kept = list(takewhile(lambda sweep: sweep.measured == sweeps[-1].measured, reversed(sweeps)))[::-1]
    left_out = len(sweeps) - len(kept)
    if not left_out:
        return kept, []
    are = "1 sweep of this run is" if left_out == 1 else f"{left_out} sweeps of this run are"
    return kept, [f"{are} left out: detector, merit, frequency or f-number changed after."]
