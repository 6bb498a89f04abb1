"""The through-focus curve of a finding, recomputed from the stored readings with the daemon's own functions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchd.arrangements.registry import curve_width
from benchd.bench.sweep.sweep_data import SweepPoint
from benchd.detectors.registry import in_order
from benchd.errors import BenchdError, Refused
from benchd.metrology.distribution import coverage_factor
from benchd.metrology.peak import PeakFit
from benchd.questions.flange.picture import Curve, Fit, Points
from benchd.questions.flange.seatings import each_of
from benchd.questions.through_focus import FitOrder, curve_of, fit_points
from benchd.records.values import ReadingRow

DRAWN = 201


@dataclass(frozen=True, slots=True)
class Recomputed:
    """The curve to draw, and where its peak lies now (um)."""

    curve: Curve
    peak_um: float


def recompute(finding: Mapping[str, Any], rows: Sequence[ReadingRow], position_u_um: float) -> Recomputed:
    """The curve of a finding with a `focus_error` from the readings of its run.

    `position_u_um` is the independent noise of one position, from the bench file. Raises Refused ('not_found') if the
    readings give no curve.
    """
    points = points_of(finding, rows)
    about = finding["measurand"]
    if not points:
        raise Refused("not_found", f"The record holds no readings of its sweep for {finding['finding']}.")
    u_um = _slope(points) * position_u_um
    width = curve_width(str(about["arrangement"]))
    order = FitOrder(about["f_number"], about["lp_mm"], about["light_nm"], u_um, width, about["merit"])
    seated = [[point for point in points if first <= point.idx <= last] for first, last in each_of(finding)]
    peaks = [_fit(part, order).peak_um for part in seated]
    mean_um = sum(peaks) / len(peaks)
    # Each seating has a peak of its own: they are drawn on top of each other, at the mean.
    points = [
        replace(point, offset_um=point.offset_um + mean_um - peak)
        for part, peak in zip(seated, peaks, strict=True)
        for point in part
    ]
    return Recomputed(_curve(points, _fit(points, order), u_um), mean_um)


def _fit(points: Sequence[SweepPoint], order: FitOrder) -> PeakFit:
    fit = fit_points(points, order)
    if isinstance(fit, str):
        raise Refused("not_found", f"The stored readings make no curve: {fit}")
    return fit


def _slope(points: Sequence[SweepPoint]) -> float:
    """Offset gained per um of carriage over the sweep."""
    nearest, farthest = (extreme(points, key=lambda point: point.carriage_um) for extreme in (min, max))
    travel_um = farthest.carriage_um - nearest.carriage_um
    return (farthest.offset_um - nearest.offset_um) / travel_um if travel_um else 1.0


def points_of(finding: Mapping[str, Any], rows: Sequence[ReadingRow]) -> list[SweepPoint]:
    """The points of a finding, in the order taken; those with a missing channel are left out."""
    first, last = finding["readings"]["indices"]
    merit = str(finding["measurand"]["merit"])
    rows = [row for row in rows if first <= row.idx <= last and row.channel.startswith(f"{merit}.")]
    channels = in_order(merit, {row.channel for row in rows})
    points: dict[int, dict[str, ReadingRow]] = defaultdict(dict)
    for row in rows:
        if row.quality == "good":
            points[row.idx][row.channel] = row
    found = []
    for idx in sorted(points):
        by_channel = points[idx]
        first_row = next(iter(by_channel.values()))
        offset_um, carriage_um = first_row.offset_um, first_row.carriage_um
        if len(by_channel) == len(channels) and offset_um is not None and carriage_um is not None:
            values = {channel: _pair(by_channel[channel]) for channel in channels}
            found.append(SweepPoint(idx, offset_um, carriage_um, first_row.t_mono, 0, values))
    return found


def _pair(row: ReadingRow) -> tuple[float, float]:
    if row.value is None or row.u is None:
        raise BenchdError("bad_request", f"Reading {row.idx} of {row.run} is called good and has no value or no u.")
    return row.value, row.u


def _curve(points: Sequence[SweepPoint], fit: PeakFit, position_u_um: float) -> Curve:
    mean = curve_of(points, position_u_um)
    z = np.linspace(fit.centre_um - fit.half_window_um, fit.centre_um + fit.half_window_um, DRAWN)
    value, u_fit = fit.curve(z)
    half = coverage_factor(float(fit.dof)) * u_fit
    offsets = [point.offset_um for point in points]
    return Curve(
        channels={
            channel: Points(offsets, [p.channels[channel][0] for p in points], [p.channels[channel][1] for p in points])
            for channel in points[0].channels
        },
        mean=Points(mean.offset_um.tolist(), mean.value.tolist(), mean.u.tolist(), fit.inside.tolist()),
        fit=Fit(z.tolist(), value.tolist(), (value - half).tolist(), (value + half).tolist()),
    )
