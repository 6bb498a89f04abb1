"""Which of a few repeats are far off the others: a mistake to be looked for, not a value to be left out unseen."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

FAR_OFF = "far off the others"
"""What a note says of a value that is."""

MOST_SCORES = 3.5
"""Iglewicz and Hoaglin, How to Detect and Handle Outliers (ASQC 1993): a modified z-score above this."""
NORMAL = 1.4826
"""Median absolute deviation to standard deviation, normal distribution."""


def far_off(values: Sequence[float], least_s: float) -> list[tuple[int, float]]:
    """Index and distance from the median of each value that is far off.

    Two of five that agree by chance would have one of five good rounds accused (own count), so that the spread is
    never taken as less than `least_s`: what one value is expected to scatter by anyway.
    """
    middle = median(values)
    spread = max(NORMAL * median(abs(value - middle) for value in values), least_s)
    return [(i, value - middle) for i, value in enumerate(values) if abs(value - middle) > MOST_SCORES * spread]
