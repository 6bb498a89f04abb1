"""The test of a linear axis in the style of ISO 230-2: how true, how repeatable, and how much it loses on reversal.

Definitions are those of ISO 230-2:2014, from memory, held against the worked figures of a public report of a real axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class BothWays:
    """A parameter of the approaches from below, of those from above, and of both together."""

    up: float
    down: float
    both: float


@dataclass(frozen=True, slots=True)
class AxisTest:
    """Parameters of an axis, in the unit of its deviations.

    `means_up`, `means_down`: mean deviation at each place; `s_up`, `s_down` the standard deviations of one approach.
    `reversal` B is the greatest difference of the means by size, `mean_reversal` their mean with its sign (up less
    down); `repeatability` R, `systematic` E, `mean_deviation` M, `accuracy` A.
    """

    means_up: Floats
    means_down: Floats
    s_up: Floats
    s_down: Floats
    reversal: float
    mean_reversal: float
    repeatability: BothWays
    systematic: BothWays
    mean_deviation: float
    accuracy: BothWays


def axis_test(up: Any, down: Any) -> AxisTest:
    """From the deviations (actual place less the one asked for), runs x places, of the approaches from either side.

    Raises ValueError for fewer than two runs or two places, or where both sides differ in their number.
    """
    ups, downs = np.asarray(up, dtype=np.float64), np.asarray(down, dtype=np.float64)
    if ups.ndim != 2 or ups.shape != downs.shape or min(ups.shape) < 2:
        raise ValueError(f"two tables of two runs and places or more are needed, not {ups.shape} and {downs.shape}")
    means_up, means_down = ups.mean(axis=0), downs.mean(axis=0)
    s_up, s_down = ups.std(axis=0, ddof=1), downs.std(axis=0, ddof=1)
    reversals = means_up - means_down
    either = np.maximum(2 * s_up + 2 * s_down + np.abs(reversals), np.maximum(4 * s_up, 4 * s_down))
    means = np.concatenate((means_up, means_down))
    highest, lowest = (means_up + 2 * s_up, means_down + 2 * s_down), (means_up - 2 * s_up, means_down - 2 * s_down)
    return AxisTest(
        means_up=means_up,
        means_down=means_down,
        s_up=s_up,
        s_down=s_down,
        reversal=float(np.abs(reversals).max()),
        mean_reversal=float(reversals.mean()),
        repeatability=BothWays(float(4 * s_up.max()), float(4 * s_down.max()), float(either.max())),
        systematic=BothWays(float(np.ptp(means_up)), float(np.ptp(means_down)), float(np.ptp(means))),
        mean_deviation=float(np.ptp(0.5 * (means_up + means_down))),
        accuracy=BothWays(
            float(np.max(highest[0]) - np.min(lowest[0])),
            float(np.max(highest[1]) - np.min(lowest[1])),
            float(np.max(highest) - np.min(lowest)),
        ),
    )


@dataclass(frozen=True, slots=True)
class ScrewError:
    """A screw's error: `pitch` (relative) and `amplitude` of its wave within a turn, each with its standard uncertainty
    from the scatter about them, whose degrees of freedom are `dof`; `rms` is that scatter."""

    pitch: float
    u_pitch: float
    amplitude: float
    u_amplitude: float
    dof: int
    rms: float


def screw_error(places: Any, means_up: Any, means_down: Any, period: float) -> ScrewError:
    """From the mean deviations at `places`, by least squares: a line and one wave of that period, the same both ways.

    What scatters about them is all that they do not explain (JCGM 100, 4.2), errors of the place itself as well.

    Raises ValueError where the places do not tell line and wave apart: they span less than a turn and a half, are fewer
    than eight, or come round with the turn.
    """
    x = np.asarray(places, dtype=np.float64)
    y = np.concatenate((np.asarray(means_up, dtype=np.float64), np.asarray(means_down, dtype=np.float64)))
    if len(x) < LEAST_PLACES or np.ptp(x) < LEAST_TURNS * period:
        raise ValueError(
            f"{len(x)} places over {np.ptp(x) / period:.2g} turns of the screw; {LEAST_PLACES} over {LEAST_TURNS:g} or "
            "more are needed"
        )
    middle, turn = x.mean(), 2 * np.pi * x / period
    half = np.column_stack(((x - middle) / np.ptp(x), np.sin(turn), np.cos(turn)))
    ones, none = np.ones(len(x)), np.zeros(len(x))
    design = np.vstack(
        (np.column_stack((ones, none, half)), np.column_stack((none, ones, half)))
    )  # how far apart both ways are is no business of either
    if np.linalg.cond(design) > WORST_CONDITION:
        raise ValueError("the places come round with the screw, so that line and wave cannot be told apart")
    found, *_ = np.linalg.lstsq(design, y, rcond=None)
    left = y - design @ found
    dof = len(y) - design.shape[1]
    variance = float(left @ left) / dof
    covariance = variance * np.linalg.inv(design.T @ design)
    a, b = float(found[3]), float(found[4])
    amplitude = float(np.hypot(a, b))
    along = np.array((a, b)) / amplitude if amplitude else np.array((1.0, 0.0))
    return ScrewError(
        pitch=float(found[2] / np.ptp(x)),
        u_pitch=float(np.sqrt(covariance[2, 2]) / np.ptp(x)),
        amplitude=amplitude,
        u_amplitude=float(np.sqrt(along @ covariance[3:, 3:] @ along)),
        dof=dof,
        rms=float(np.sqrt(variance)),
    )


LEAST_PLACES, LEAST_TURNS = 8, 1.5
WORST_CONDITION = 10.0
"""Of the equations, whose columns are all of about one size (own choice: u is then at most a few times the least)."""
