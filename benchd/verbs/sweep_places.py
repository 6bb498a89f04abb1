"""Sampling positions that a sweep may bring the carriage to, before it is known where focus is."""

from __future__ import annotations

from dataclasses import dataclass

from benchd.assessments.locate import WIDEST_HW
from benchd.assessments.sampling_positions import SPAN_HWHM, STEP_HWHM, look, per_pass, pilot, step_hwhm, wide
from benchd.bench.sweep.coarse_scan import CENTRED_HW, FAR_UM, LOOKS, PILOTS, WIDE_STEP_HW


@dataclass(frozen=True, slots=True)
class SweepPlaces:
    """Offsets from where a sweep begins (um): its first coarse scan, and the farthest offset to either side.

    `span_um` and `points` are those of one pass over a curve of the expected width. If focus is not within the first
    scan there may be `more_looks` like it, then `pilots` of the places `pilot`, and one over the `wide` offsets.
    """

    look: tuple[float, ...]
    pilot: tuple[float, ...]
    span_um: float
    points: int
    farthest_um: float
    more_looks: int
    pilots: int
    wide: tuple[float, ...]

    @property
    def step_um(self) -> float:
        """Distance between neighbouring stations of a pass."""
        return self.span_um / (self.points - 1)


def sweep_places(
    half_width_um: float, span_um: float | None, step_um: float | None, *, tells_blur: bool, repeats: int
) -> SweepPlaces:
    """Positions for a curve expected to have this half-width; a span or step of None follows the measured width.

    A detector that does not tell blur begins with a pilot. The coarse scans lie within one pilot of the farthest centre
    of the search. The readings lie about the peak found there, or about where the sweep began if its span was stated.
    """
    places = pilot(0.0, half_width_um)
    span, step = span_um or 2.0 * SPAN_HWHM * half_width_um, step_um or step_hwhm(repeats) * half_width_um
    widest = WIDEST_HW * half_width_um
    widest_step = step_um or STEP_HWHM * widest
    # Whole steps may exceed the span by a quarter step, there are at least three stations, each shifted by up to half.
    read = max(0.5 * (span_um or 2.0 * SPAN_HWHM * widest) + 0.25 * widest_step, widest_step) + 0.5 * widest_step
    begun_from = FAR_UM + CENTRED_HW * half_width_um if span_um is None else 0.0
    farthest = max(FAR_UM + places[-1], begun_from + read)
    points = per_pass(span, step)
    first, looks, pilots = (look(0.0, half_width_um), LOOKS - 1, PILOTS) if tells_blur else (places, 0, PILOTS - 1)
    far = wide(-FAR_UM, FAR_UM, WIDE_STEP_HW * half_width_um)
    return SweepPlaces(first, places, span, points, farthest, looks, pilots, far)
