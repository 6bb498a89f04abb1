"""Sampling positions of a sweep: spans from the curve's width, in random order so that drift cannot shift the peak.

A monotone order turns correlated noise into a shift of the peak; a shuffled one turns it into scatter, which the fit
includes. Pilot readings only choose the stations and never enter the fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SPAN_HWHM = 1.5
"""Half the span of a sweep, in measured half-widths at half maximum."""

STEP_HWHM = 0.25
"""Station spacing of several passes: of each, nine stations fall inside the window of the fit (+-1.1 half-widths)."""

STEP_OF_ONE_HWHM = 0.2
"""Station spacing of a single pass: ten fall inside, and nine, the fewest that a fit takes, still do where the look
took the curve to be a fifth too wide."""

UNCOUNTED = 1e9
"""The number of stations is limited to this, for a step of almost zero."""

PILOT_SPAN_HW = 2.5
PILOT_STEP_HW = 0.5

LOOK_SPAN_HW = 2.0
LOOK_STEP_HW = 1.0

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Station:
    """One station of a sweep: target offset (um) and the number of its repeat."""

    offset_um: float
    repeat: int


def pilot(centre_um: float, half_width_um: float) -> tuple[float, ...]:
    """Offsets of a coarse scan about `centre_um`, ascending, so that each is approached from below."""
    return _about(centre_um, PILOT_SPAN_HW * half_width_um, PILOT_STEP_HW * half_width_um)


def look(centre_um: float, half_width_um: float) -> tuple[float, ...]:
    """Five offsets for a first look where focus is expected, ascending."""
    return _about(centre_um, LOOK_SPAN_HW * half_width_um, LOOK_STEP_HW * half_width_um)


def _about(centre_um: float, span_um: float, step_um: float) -> tuple[float, ...]:
    count = round(span_um / step_um)
    return tuple(centre_um + step_um * i for i in range(-count, count + 1))


def wide(low_um: float, high_um: float, step_um: float) -> tuple[float, ...]:
    """Offsets of a wide scan, ascending, evenly spaced by at most `step_um`."""
    count = max(2, int(np.ceil((high_um - low_um) / step_um)) + 1)
    return tuple(float(x) for x in np.linspace(low_um, high_um, count))


def step_hwhm(repeats: int) -> float:
    """Station spacing of so many passes, in measured half-widths."""
    return STEP_HWHM if repeats > 1 else STEP_OF_ONE_HWHM


def per_pass(span_um: float, step_um: float) -> int:
    """Number of stations in one pass over a span."""
    return max(3, round(min(span_um / step_um, UNCOUNTED)) + 1)


def plan(
    centre_um: float,
    span_um: float,
    step_um: float,
    repeats: int,
    rng: np.random.Generator,
    *,
    shuffled: bool = True,
) -> tuple[Station, ...]:
    """All stations of a sweep: `repeats` passes over `span_um` (end to end) about `centre_um`.

    Each pass is displaced by a random fraction of a step, so that an error of the scale with the period of the
    step does not repeat, and is shuffled on its own, so that a drift over minutes spreads over every pass.
    """
    count = per_pass(span_um, step_um)
    grid = centre_um + (np.arange(count) - (count - 1) / 2) * step_um
    stations: list[Station] = []
    for repeat in range(repeats):
        displaced = grid + (rng.uniform(-0.5, 0.5) * step_um if repeats > 1 else 0.0)
        order = rng.permutation(count) if shuffled else np.arange(count)
        stations.extend(Station(float(displaced[i]), repeat) for i in order)
    return tuple(stations)
