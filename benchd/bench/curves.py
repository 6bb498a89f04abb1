"""From the points of a sweep to its fit, in the analysis process: orientations averaged, then one fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.assessments.curve import Curve, points_of_picture
from benchd.bench.sweep_data import SweepPoint
from benchd.metrology.peak import NoPeak, PeakFit, fit_peak
from benchd.optics.diffraction import ideal_hwhm_um
from benchd.optics.focus_depth import half_width_um


@dataclass(frozen=True, slots=True)
class FitOrder:
    """What a fit needs beside the points: f-number, frequency (lp/mm), light (nm), noise of a position (um)."""

    f_number: float
    lp_mm: float
    light_nm: float
    position_u_um: float


def curve_of(points: Sequence[SweepPoint], position_u_um: float) -> Curve:
    """The curve of a sweep: both orientations of a picture averaged, since they share the carriage."""
    return Curve.of(
        channel
        for point in points
        for channel in points_of_picture(
            {"v": point.v, "h": point.h},
            offset_um=point.offset_um,
            t_mono=point.t_mono,
            repeat=point.repeat,
            position_u_um=position_u_um,
        )
    )


def fit_points(points: Sequence[SweepPoint], order: FitOrder) -> PeakFit | str:
    """The fit, or the sentence that says why there is none."""
    curve = curve_of(points, order.position_u_um)
    try:
        return fit_peak(
            curve.offset_um,
            curve.value,
            curve.u,
            half_width_um(order.f_number, order.lp_mm),
            position_u_um=order.position_u_um,
            ideal_hwhm_um=ideal_hwhm_um(order.f_number, order.lp_mm, order.light_nm),
        )
    except NoPeak as none:
        return none.text
