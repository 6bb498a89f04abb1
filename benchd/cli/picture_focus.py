"""Best focus from pictures of one target at known depths: measured and fitted as a sweep is, without a bench.

All are measured at the place of the sharpest one and through one window, which suits the blurriest within the span of a
sweep. What a bench adds to a fit (datum chain, conjugate, scale) is not here, and the notes say so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchd.assessments.locate import LEAST_BLURS, SAME_PLACE_HW, Location, least_blur_um, locate
from benchd.assessments.peak_lines import FLAGS, NON_LINEAR_SHIFT_UM
from benchd.assessments.sampling_positions import SPAN_HWHM, STEP_HWHM
from benchd.bench.sweep.enough_light import enough_light
from benchd.bench.sweep.sweep_data import SweepPoint, changed_brightness
from benchd.cli.picture_seen import STATE_CURVE, Measured, Stated, measure, read
from benchd.detectors.edge.detector import window_px_for
from benchd.detectors.edge.pictures import Modulation, SquareSeen, modulation_in
from benchd.detectors.values import Unusable
from benchd.errors import Refused
from benchd.files.problems import FileProblems, Problem
from benchd.imaging.picture import Grey
from benchd.metrology.distribution import coverage_factor
from benchd.metrology.peak import LEAST_POINTS, PeakFit
from benchd.metrology.peak_light import COUNTED_REACH, FIT_REACH, predicted_U_um
from benchd.optics.diffraction import cutoff_lp_mm
from benchd.optics.focus_depth import half_width_um
from benchd.questions.through_focus import FitOrder, curve_of, fit_points

SCATTER_ALONE = (
    "The interval holds for the scatter of these readings alone. There is no datum chain and no conjugate in it, and "
    "depths are taken as told: it is no flange finding."
)
ONE_WAY = (
    "The depths go one way in the order listed: a drift of light, lens or target meanwhile shifts best focus, and no "
    "scatter tells. Take them shuffled, and list them in the order taken."
)
CLOSER = "Take pictures closer about the sharpest one, nine or more within its half-width, on both sides."
_NOT_YET = Unusable("not_measured", "It was not measured, as it was not settled how.", CLOSER)


@dataclass(slots=True)
class AtDepth:
    """One picture: its square by itself, and what it gave as all were measured."""

    path: Path
    depth_um: float
    glance: SquareSeen | Unusable
    found: Modulation | Unusable

    @property
    def refused(self) -> Unusable | None:
        return self.found if isinstance(self.found, Unusable) else None


@dataclass(slots=True)
class ThroughFocus:
    """All pictures in their order, the sharpest one whole with its grey values, and the fit, or why there is none.

    `clearest` is the sharpest one as each was looked at by itself: known where they could not be measured together.
    """

    pictures: list[AtDepth]
    clearest: Path | None = None
    sharpest: tuple[AtDepth, Grey, Measured] | None = None
    fit: PeakFit | None = None
    refused: Refused | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def k(self) -> float:
        """Coverage factor of the fit's 95 % interval."""
        assert self.fit is not None
        return coverage_factor(self.fit.dof)

    @property
    def points(self) -> list[SweepPoint]:
        """What is fitted, in the order listed."""
        return [
            SweepPoint(idx, one.depth_um, one.depth_um, float(idx), 0, {"v": one.found.v, "h": one.found.h})
            for idx, one in enumerate(self.pictures)
            if isinstance(one.found, Modulation)
        ]


def through_focus(
    listed: Sequence[tuple[Path, float]], stated: Stated, f_number: float, light_nm: float
) -> ThroughFocus:
    """Measure and fit; by f-number and light the fit judges whether the curve is as wide as it ought to be.

    Raises FileProblems for pictures that cannot be read or are of another size than the first."""
    seen = ThroughFocus(_glances(listed, stated))
    try:
        _measure_and_fit(seen, stated, f_number, light_nm)
    except Refused as refused:
        seen.fit, seen.refused = None, refused
    return seen


def _glances(listed: Sequence[tuple[Path, float]], stated: Stated) -> list[AtDepth]:
    pictures: list[AtDepth] = []
    problems: list[Problem] = []
    size: tuple[int, ...] | None = None
    for path, depth_um in listed:
        given = read(path)
        if isinstance(given, Unusable):
            problems.append(Problem(str(path), 0, 0, "", given.code, f"{given.text} {given.advice}"))
            continue
        data, picture = given
        size = size or picture.values.shape
        if picture.values.shape != size:
            rows, columns = picture.values.shape
            why = f"as large as the first, {size[1]} x {size[0]} px: all are measured at one place"
            problems.append(Problem(str(path), 0, 0, "", f"{columns} x {rows} px", why))
            continue
        glance = stated.glance(data)
        pictures.append(AtDepth(path, depth_um, glance, glance if isinstance(glance, Unusable) else _NOT_YET))
    if problems:
        raise FileProblems(problems)
    return pictures


def _measure_and_fit(seen: ThroughFocus, stated: Stated, f_number: float, light_nm: float) -> None:
    sharp = [(one, one.glance) for one in seen.pictures if isinstance(one.glance, SquareSeen)]
    if not sharp:
        first = next((one.refused for one in seen.pictures if one.refused), None)
        why = f" Of the first: {first.text}" if first else ""
        advice = first.advice if first else "List pictures with their depths."
        raise Refused("not_found", f"None of {len(seen.pictures)} pictures can be measured.{why}", advice=advice)
    best, glance = max(sharp, key=lambda pair: pair[1].modulation)
    seen.clearest = best.path
    _, lp_mm = stated.frequency(glance.layout.side_px)
    assert lp_mm is not None
    if lp_mm >= (most := cutoff_lp_mm(f_number, light_nm)):
        why = f"f/{f_number:g} passes {most:.4g} lp/mm at the most in light of {light_nm:g} nm, not {lp_mm:.4g}."
        raise Refused("bad_request", why, advice="Look at --f-number, --light-nm and the scale, or look at less lp/mm.")
    half_width = half_width_um(f_number, lp_mm)
    values = [one.glance.modulation if isinstance(one.glance, SquareSeen) else 0.0 for one in seen.pictures]
    peak = locate([one.depth_um for one in seen.pictures], values, half_width)
    if peak is None:
        why = f"The {len(seen.pictures)} pictures do not show a peak: their modulation falls to half on neither side."
        raise Refused("not_found", why, advice=CLOSER)
    _refuse_side_lobe(peak, sharp, half_width)
    # As a sweep settles: what suits the blurriest capture of its span, and two stations beyond.
    reach = (SPAN_HWHM + 2.0 * STEP_HWHM) * peak.hwhm_um
    within = [other for one, other in sharp if abs(one.depth_um - peak.peak_um) <= reach]
    window_px = window_px_for([glance, *within])
    _measure(seen, stated, best, glance, window_px)
    points = seen.points
    order = FitOrder(f_number, lp_mm, light_nm, position_u_um=0.0)
    if not points:
        raise Refused("not_found", "None of the pictures could be measured at one place.", advice=CLOSER)
    fit = fit_points(points, order)
    few = sum(abs(point.offset_um - peak.peak_um) <= FIT_REACH * peak.hwhm_um for point in points) < LEAST_POINTS
    if not (few and isinstance(fit, str)):  # that there are too few the fit says
        _require_light(points, peak, half_width)
    if isinstance(fit, str):
        raise Refused("not_found", fit, advice=CLOSER)
    seen.fit = fit
    seen.notes = _notes(seen, fit, f_number)


def _refuse_side_lobe(peak: Location, sharp: Sequence[tuple[AtDepth, SquareSeen]], half_width: float) -> None:
    """As a coarse scan does: modulation peaks on every side lobe, too."""
    least = least_blur_um([one.depth_um for one, _ in sharp], [glance.sigma_px for _, glance in sharp])
    if len(sharp) < LEAST_BLURS or (least is not None and abs(peak.peak_um - least) <= SAME_PLACE_HW * half_width):
        return
    where = "is nowhere among them" if least is None else f"is at about {least:.0f} µm"
    why = f"Modulation peaks at {peak.peak_um:.0f} µm, but the least blur of the edges {where}: it may be a side lobe."
    raise Refused("not_found", why, advice="Take pictures of a wider range of depths; look at f-number and scale.")


def _measure(seen: ThroughFocus, stated: Stated, best: AtDepth, glance: SquareSeen, window_px: float) -> None:
    cycles, _ = stated.frequency(glance.layout.side_px)
    for one in seen.pictures:
        if isinstance(one.glance, SquareSeen):
            given = read(one.path)
            if isinstance(given, Unusable):
                one.found = given
                continue
            data, picture = given
            one.found = modulation_in(data, glance.layout, cycles, window_px, stated.rendition)
            if one is best:
                whole = measure(data, picture, stated, glance.layout, window_px)
                seen.sharpest = None if isinstance(whole, Unusable) else (one, picture.values, whole)


def _require_light(points: Sequence[SweepPoint], peak: Location, half_width: float) -> None:
    """By what the pictures predict, never by what the fit came to, as before a sweep."""
    curve = curve_of(points, 0.0)
    top = int(curve.value.argmax())
    noise = float(curve.u[top] / curve.value[top])
    inside = sum(abs(point.offset_um - peak.peak_um) <= COUNTED_REACH * half_width for point in points)
    predicted = predicted_U_um(noise, inside, half_width, peak.hwhm_um / half_width)
    enough_light(predicted, noise, inside, half_width)


def _notes(seen: ThroughFocus, fit: PeakFit, f_number: float) -> list[str]:
    measured = [one.found for one in seen.pictures if isinstance(one.found, Modulation)]
    notes = [SCATTER_ALONE, *(FLAGS[flag] for flag in fit.flags)]
    if not all(found.linear for found in measured):
        notes.append(
            "Not all pictures are known to be linear in light: that may shift best focus by up to "
            f"{NON_LINEAR_SHIFT_UM * f_number**2:.1f} µm, which the interval does not hold. {STATE_CURVE}"
        )
    notes += changed_brightness([found.swing for found in measured if found.swing is not None])
    lost = [one for one in seen.pictures if one.refused and abs(one.depth_um - fit.centre_um) <= fit.half_window_um]
    if lost and lost[0].refused:
        some = f"{len(lost)} of the pictures about the peak could not be measured"
        notes.append(f"{some}; {lost[0].path.name}: {lost[0].refused.text}")
    depths = [point.offset_um for point in seen.points]
    if depths in (sorted(depths), sorted(depths, reverse=True)):
        notes.append(ONE_WAY)
    return notes
