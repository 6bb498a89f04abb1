"""Repeated readings: their mean and its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Repeats:
    """Mean of the readings, their standard deviation s, and the standard uncertainty of the mean with its dof."""

    mean: float
    s: float
    u: float
    dof: int


def repeats(values: Sequence[float]) -> Repeats:
    """Type A evaluation (JCGM 100, 4.2). No reading is ever rejected: t covers heavy tails, rejection does not.

    Raises ValueError for fewer than two readings.
    """
    data = np.asarray(values, dtype=np.float64)
    if data.ndim != 1 or data.size < 2:
        raise ValueError("the scatter of repeated readings needs at least two of them")
    s = float(np.std(data, ddof=1))
    return Repeats(float(np.mean(data)), s, s / math.sqrt(data.size), data.size - 1)
