"""Repeated readings: their mean and its uncertainty, on one occasion and over several."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchd.metrology.distribution import coverage_factor


@dataclass(frozen=True, slots=True)
class Repeats:
    """Mean of n readings, their standard deviation s, and the standard uncertainty of the mean with n - 1 dof."""

    mean: float
    s: float
    u: float
    dof: int
    n: int

    def half_width(self, coverage: float = 0.95) -> float:
        """t times u."""
        return coverage_factor(self.dof, coverage) * self.u


def repeats(values: Sequence[float]) -> Repeats:
    """Type A evaluation (JCGM 100, 4.2). No reading is ever dropped: t covers heavy tails, rejection does not.

    Raises ValueError for fewer than two readings.
    """
    data = np.asarray(values, dtype=np.float64)
    if data.ndim != 1 or data.size < 2:
        raise ValueError("the scatter of repeated readings needs at least two of them")
    s = float(np.std(data, ddof=1))
    return Repeats(float(np.mean(data)), s, s / math.sqrt(data.size), data.size - 1, int(data.size))


def covariance_of_means(readings: ArrayLike) -> NDArray[np.float64]:
    """Covariance matrix (k x k) of the means of k quantities read together n times; `readings` is k x n.

    JCGM 100, 5.2.3: readings taken in one go share their errors.
    """
    data = np.asarray(readings, dtype=np.float64)
    return np.asarray(np.atleast_2d(np.cov(data, ddof=1)) / data.shape[1], dtype=np.float64)


def relative_spread_of_s(n: int) -> float:
    """How far the s of n normal readings scatters about its own mean, as a fraction of it (JCGM 100, Table E.1)."""
    if n < 2:
        raise ValueError("the scatter of repeated readings needs at least two of them")
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))
    return math.sqrt(1.0 - c4 * c4) / c4


@dataclass(frozen=True, slots=True)
class Occasions:
    """Equal sets of readings on several occasions.

    `s_means` is the standard deviation of the occasions' means; `s_a` that times sqrt(K), the estimate of one
    reading's scatter that includes the occasion; `s_b` the scatter within occasions; `ratio` their variance ratio F
    and `critical` its 5 % point. `u` and `dof` belong to the grand mean: from the scatter of the means when the
    occasions differ, from all readings pooled when F gives no reason to think so.
    """

    mean: float
    s_means: float
    s_a: float
    s_b: float
    ratio: float
    critical: float
    s_between: float
    u: float
    dof: int
    pooled: bool


def occasions(
    means: Sequence[float], spreads: Sequence[float], per_occasion: int, *, pool: bool | None = None
) -> Occasions:
    """Analysis of J occasions of K readings each, given by mean and standard deviation (JCGM 100, H.5).

    `pool` None lets the variance ratio decide at its 5 % point.
    """
    j, k = len(means), per_occasion
    if j < 2 or k < 2 or len(spreads) != j:
        raise ValueError("needs two occasions of two readings at least, a mean and a spread for each")
    from scipy.special import fdtri

    s_means = float(np.std(np.asarray(means, dtype=np.float64), ddof=1))
    within = float(np.mean(np.square(np.asarray(spreads, dtype=np.float64))))
    among = k * s_means**2
    critical = float(fdtri(j - 1, j * (k - 1), 0.95))
    ratio = among / within if within > 0.0 else math.inf
    pooled = ratio < critical if pool is None else pool
    if pooled:
        dof = j * k - 1
        u = math.sqrt(((j - 1) * among + j * (k - 1) * within) / dof / (j * k))
    else:
        dof, u = j - 1, s_means / math.sqrt(j)
    return Occasions(
        mean=float(np.mean(np.asarray(means, dtype=np.float64))),
        s_means=s_means,
        s_a=math.sqrt(among),
        s_b=math.sqrt(within),
        ratio=ratio,
        critical=critical,
        s_between=math.sqrt(max(0.0, (among - within) / k)),
        u=u,
        dof=dof,
        pooled=pooled,
    )
