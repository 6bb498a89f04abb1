"""What a quantity of a model is in a specimen that was not measured itself, from those that were."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Another:
    """Weighted mean of n specimens, their standard deviation s, and the standard uncertainty of another specimen with
    its degrees of freedom."""

    mean: float
    s: float
    u: float
    dof: int


def another_specimen(values: Sequence[float], us: Sequence[float]) -> Another:
    """Type A evaluation of specimens, each measured with the standard uncertainty of `us`, which weighs it.

    With the mean of n as the estimate of one more, both scatter: u = s sqrt(1 + 1/n), n - 1 degrees of freedom (JCGM
    100, 4.2.2 for s, and 4.2.3 and 5.1.2 for s / sqrt(n) beside it). Weights w = 1 / u^2 make of s^2 that of values as
    sure as their harmonic mean. Few specimens that agree by chance say little: u is never below what they were measured
    with, and has no more degrees of freedom for that. Raises ValueError for fewer than two.
    """
    data, given = np.asarray(values, dtype=np.float64), np.asarray(us, dtype=np.float64)
    n = data.size
    if n < 2 or data.shape != given.shape or not (given > 0.0).all():
        raise ValueError("the scatter of specimens needs at least two of them, each with its uncertainty")
    weights = given**-2.0
    mean, measured = float(np.average(data, weights=weights)), math.sqrt(n / float(weights.sum()))
    s = measured * math.sqrt(float(np.sum(weights * (data - mean) ** 2)) / (n - 1))
    u = s * math.sqrt(1.0 + 1.0 / n)
    return Another(mean, s, max(u, measured), n - 1)
