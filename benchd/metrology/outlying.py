"""Outliers among a few repeats: to be checked for a mistake, never silently left out."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

FAR_OFF = "far off the others"
"""The words of a note about an outlier."""

MOST_SCORES = 3.5
"""Iglewicz and Hoaglin, How to Detect and Handle Outliers (ASQC 1993): a modified z-score above this."""
NORMAL = 1.4826
"""Median absolute deviation to standard deviation, normal distribution."""


def far_off(values: Sequence[float], least_s: float) -> list[tuple[int, float]]:
    """Index and distance from the median of each value that is far off.

    If two of five agree by chance, one of the five good values would look like an outlier (own count), so the spread is
    never taken as less than `least_s`, the expected scatter of one value.
    """
    middle = median(values)
    spread = max(NORMAL * median(abs(value - middle) for value in values), least_s)
    return [(i, value - middle) for i, value in enumerate(values) if abs(value - middle) > MOST_SCORES * spread]
