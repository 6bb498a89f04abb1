"""One seating of a case's lens: its fit, and what each line of the budget did to it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import copysign, hypot, sqrt

import numpy as np

from benchd.arrangements.registry import arrangement_of
from benchd.bench.datum.chain import Chain
from benchd.bench.sweep.sweep_data import SweepData
from benchd.metrology.peak import PeakFit
from benchd.questions.through_focus import FitOrder, fit_points
from study_bench import CaseBench
from study_parts import parts_of
from study_records import LIGHT_NM, LP_MM
from study_world import CaseWorld, Truth


@dataclass(frozen=True, slots=True)
class Seated:
    """`parts` is what each line did, in um; `by_sweep_um` the sweep with what the scale's subdivision did to it."""

    fit: PeakFit
    parts: dict[str, float]
    by_sweep_um: float


def seating_of(bench: CaseBench, chain: Chain, truth: Truth, data: SweepData, fit: PeakFit) -> Seated:
    """Of the lens as it sits now."""
    world, parts = bench.world, parts_of(bench, chain, truth, fit)
    by_sweep = parts["sweep"]
    evened = fit_of(bench, _evened(world, data, truth.place_um, chain.places.slope(truth.place_um)))
    parts["subdivision"] = 0.0 if isinstance(evened, str) else fit.peak_um - evened.peak_um
    parts["sweep"] = _as_normal(by_sweep - parts["subdivision"], fit)
    return Seated(fit, parts, by_sweep)


def fit_of(bench: CaseBench, data: SweepData) -> PeakFit | str:
    """The fit of a sweep, or a sentence on why there is none."""
    width = arrangement_of(bench.files.file).curve_width
    order = FitOrder(data.f_number, LP_MM, LIGHT_NM, _position_u_um(bench), width, latencies=data.latencies)
    return fit_points(data.points, order)


def _position_u_um(bench: CaseBench) -> float:
    chain = bench.chain()
    assert chain.carriage_um is not None
    files = bench.files
    noise = hypot(files.scale.subdivision_um / sqrt(2.0), files.scale_resolution_um / sqrt(12.0))
    return chain.places.slope(chain.carriage_um) * noise


def _evened(world: CaseWorld, data: SweepData, place_um: float, slope: float) -> SweepData:
    """The sweep as a scale without an error of subdivision would have given it; `slope` is offset per um of place."""
    off = world.subdivided_um(np.array([point.carriage_um for point in data.points]), place_um)
    points = [
        replace(point, offset_um=point.offset_um - slope * one, carriage_um=point.carriage_um - one)
        for point, one in zip(data.points, off.tolist(), strict=True)
    ]
    return replace(data, points=points)


def _as_normal(error_um: float, fit: PeakFit) -> float:
    """An error that is a t by its degrees of freedom as the normal one of the same probability: a few of the far ones
    would else be most of a root mean square."""
    from scipy.special import ndtri, stdtr

    z = -abs(error_um) / fit.u_um
    return copysign(float(-ndtri(stdtr(float(fit.dof), z))) * fit.u_um, error_um)
