"""A control chart of single values, one a check: limits from their own first ones, and an average that shows a drift.

Individuals chart and EWMA as in NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 and 6.3.2.4. The limits hold
what changes from one value to the next, so a slow drift within the baseline itself makes them too narrow rather than
too wide.

How often it speaks where nothing has changed, for independent normal values: were mean and scatter known, once in 370
values outside the limits, and once in 560 by the average. They are not known but taken from `BASELINE` values: then 19
of 1000 values lie outside, and of charts 20 values after the baseline 44 of 1000 say drifting or not, counted over
baselines (own simulation; `tests/metrology/test_control_chart.py` holds it). Half of all baselines leave fewer than 5
of 1000 values outside, one in ten more than 54: after an alarm check again first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

State = Literal["too few", "trusted", "drifting", "not"]

D2 = 2.0 / math.sqrt(math.pi)
"""Mean range of two values in standard deviations: that of |a - b| for normal a and b. Handbooks print 1.128."""
SIGMAS = 3.0
"""Half width of both kinds of limits (e-Handbook, 6.3.2.2 and 6.3.2.4): 2.66 mean moving ranges for single values."""
WEIGHT = 0.2
"""Of the newest value in the average; the e-Handbook has 0.2 to 0.3, and less of it shows a slower drift."""
BASELINE = 12
"""Values that the limits are taken from. Textbooks have 20 to 25 (common practice, no source), which on a bench that is
checked in the morning is a month without a word; 20 would give 25 for the 44 of 1000, and 8 would give 70.
"""


@dataclass(frozen=True, slots=True)
class Limits:
    """Mean of the baseline, the standard deviation that its moving ranges stand for, and the half width of the limits;
    all in the unit of the values."""

    centre: float
    s: float
    half_width: float

    def outside(self, value: float) -> bool:
        """Whether a value lies outside; one on the limit does not."""
        return abs(value - self.centre) > self.half_width


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart judged by its newest value; lengths of sequences are those of the values, whose unit all have.

    `averages` is the EWMA after each value, None within the baseline. `average_half_width` is that of its limits now.
    `since` is the index at which the present departure began, `deeper` whether it is to the positive side: both None
    unless the state is 'drifting' or 'not'. `unsteady` are the indices in the baseline that lie outside its own limits.
    Without a full baseline all but the state is empty.
    """

    state: State
    limits: Limits | None = None
    averages: tuple[float | None, ...] = ()
    average_half_width: float | None = None
    since: int | None = None
    deeper: bool | None = None
    unsteady: tuple[int, ...] = ()


def limits_of(baseline: Sequence[float]) -> Limits:
    """Limits for single values from the mean moving range of two neighbours each. Raises ValueError below two values.

    Where all are alike the limits have no width.
    """
    if len(baseline) < 2:
        raise ValueError("limits need at least two values")
    ranges = [abs(one - other) for one, other in pairwise(baseline)]
    s = math.fsum(ranges) / len(ranges) / D2
    return Limits(math.fsum(baseline) / len(baseline), s, SIGMAS * s)


def averaged(before: float, value: float, weight: float = WEIGHT) -> float:
    """The exponentially weighted moving average after one value more."""
    return weight * value + (1.0 - weight) * before


def average_half_width(s: float, count: int, weight: float = WEIGHT) -> float:
    """Half width of the limits of the average after `count` values, exact from the first on; it starts at the mean."""
    grown = 1.0 - (1.0 - weight) ** (2 * count)
    return SIGMAS * s * math.sqrt(weight / (2.0 - weight) * grown)


def judge(values: Sequence[float], baseline: int = BASELINE) -> Chart:
    """The chart of `values`, oldest first, the first `baseline` of which make the limits.

    The newest is 'not' (to be trusted) where it lies outside the limits itself, 'drifting' where the average does, and
    'trusted' else; 'too few' where none is there beyond the baseline. A drift is said to have begun where a step to one
    side would most likely have been: nearer to the truth than the last crossing of the mean, by the average or by
    single values (own simulation, steps of .75 to 1.5 s), and early or late by some values all the same. What is
    outside has been so since the first of those outside on that side without one between.

    What lies outside is told by itself and stays out of the average: a bench whose fault was found and mended would
    else drift for days. Until the first alarm this is the textbook's pair of charts; after it a drift that goes in and
    out of the limits shows in the average by those inside alone, and later.
    """
    if len(values) <= baseline:
        return Chart("too few")
    limits = limits_of(values[:baseline])
    averages: list[float | None] = [None] * baseline
    average, inside = limits.centre, []
    for index, value in enumerate(values[baseline:], baseline):
        if not limits.outside(value):
            average = averaged(average, value)
            inside.append(index)
        averages.append(average)
    half_width = average_half_width(limits.s, len(inside))
    state: State = "trusted"
    since: int | None = None
    departed = values[-1] - limits.centre
    if limits.outside(values[-1]):
        state, since = "not", _outside_since(values, limits, baseline)
    elif abs(average - limits.centre) > half_width:
        departed = average - limits.centre
        state, since = "drifting", inside[_step_began([values[i] - limits.centre for i in inside], departed)]
    return Chart(
        state=state,
        limits=limits,
        averages=tuple(averages),
        average_half_width=half_width,
        since=since,
        deeper=None if since is None else departed > 0.0,
        unsteady=tuple(index for index, value in enumerate(values[:baseline]) if limits.outside(value)),
    )


def _outside_since(values: Sequence[float], limits: Limits, baseline: int) -> int:
    """Index of the first of the last values that lie outside without a break, all on the side of the newest."""
    side = math.copysign(1.0, values[-1] - limits.centre)
    since = len(values) - 1
    while since > baseline and limits.outside(values[since - 1]) and side * (values[since - 1] - limits.centre) > 0.0:
        since -= 1
    return since


def _step_began(departures: Sequence[float], side: float) -> int:
    """Index at which a step to that side (a number of its sign) began, most likely: its sum squared over its number is
    largest, as for normal values about a known mean."""
    total, most, began = 0.0, -math.inf, len(departures) - 1
    for count, index in enumerate(reversed(range(len(departures))), 1):
        total += math.copysign(1.0, side) * departures[index]
        if total / math.sqrt(count) > most:
            most, began = total / math.sqrt(count), index
    return began
