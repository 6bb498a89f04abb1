"""The through-focus curve of a finding, computed again from the stored readings by the daemon's own functions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchd.bench.sweep_data import SweepPoint
from benchd.errors import BenchdError, Refused
from benchd.metrology.distribution import coverage_factor
from benchd.metrology.peak import PeakFit
from benchd.questions.flange.picture import Curve, Fit, Points
from benchd.questions.through_focus import FitOrder, curve_of, fit_points
from benchd.records.values import ReadingRow

CHANNELS = ("edge.v", "edge.h")
DRAWN = 201


@dataclass(frozen=True, slots=True)
class Recomputed:
    """The curve to draw, and where its peak lies now (um)."""

    curve: Curve
    peak_um: float


def recompute(finding: Mapping[str, Any], rows: Sequence[ReadingRow], position_u_um: float) -> Recomputed:
    """The curve of a finding with a `focus_error` from the readings of its run.

    `position_u_um` is the independent noise of one position, which stands in the bench file. Raises Refused
    ('not_found') where the readings make no curve.
    """
    points = points_of(finding, rows)
    about = finding["measurand"]
    order = FitOrder(about["f_number"], about["lp_mm"], about["light_nm"], position_u_um)
    if not points:
        raise Refused("not_found", f"The record holds no readings of edges for {finding['finding']}.")
    fit = fit_points(points, order)
    if isinstance(fit, str):
        raise Refused("not_found", f"The stored readings make no curve: {fit}")
    return Recomputed(_curve(points, fit, position_u_um), fit.peak_um)


def points_of(finding: Mapping[str, Any], rows: Sequence[ReadingRow]) -> list[SweepPoint]:
    """The pictures that a finding rests on, in the order taken; those with a channel missing are left out."""
    first, last = finding["readings"]["indices"]
    pictures: dict[int, dict[str, ReadingRow]] = defaultdict(dict)
    for row in rows:
        if first <= row.idx <= last and row.channel in CHANNELS and row.quality == "good":
            pictures[row.idx][row.channel] = row
    points = []
    for idx in sorted(pictures):
        both = [pictures[idx].get(channel) for channel in CHANNELS]
        v, h = both
        if v is None or h is None or v.offset_um is None or v.carriage_um is None:
            continue
        points.append(SweepPoint(idx, v.offset_um, v.carriage_um, v.t_mono, 0, _pair(v), _pair(h)))
    return points


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
        vertical=Points(offsets, [p.v[0] for p in points], [p.v[1] for p in points]),
        horizontal=Points(offsets, [p.h[0] for p in points], [p.h[1] for p in points]),
        mean=Points(mean.offset_um.tolist(), mean.value.tolist(), mean.u.tolist(), fit.inside.tolist()),
        fit=Fit(z.tolist(), value.tolist(), (value - half).tolist(), (value + half).tolist()),
    )
