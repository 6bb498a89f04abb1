"""What a quantity of a model is in a specimen that was not measured itself, from those that were."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

STATED_DOF = 8
"""Of a scatter that is stated and not measured: it is known to a quarter (JCGM 100, G.4.2, eq. G.3)."""

BY_CHANCE = 0.01
"""Specimens that scatter by more than would come about so often, if they did as stated, are counted by their own
scatter alone."""


@dataclass(frozen=True, slots=True)
class Another:
    """Mean of n specimens, their standard deviation s (None of one), the standard uncertainty of another specimen with
    its degrees of freedom, and whether those measured scatter by no more than is stated."""

    mean: float
    s: float | None
    u: float
    dof: int
    as_stated: bool


def another_specimen(values: Sequence[float], us: Sequence[float], stated: float) -> Another:
    """Another specimen than those measured, each with the standard uncertainty of `us`.

    `stated` is the standard deviation of specimens as it is stated; each measured one weighs by what it and its
    measuring scatter by, w = 1 / (stated^2 + u^2), and u^2 = stated^2 + 1 / sum(w). Chi-square of what they do scatter
    by is pooled with the statement by degrees of freedom, and widens u where it is larger; few specimens that agree by
    chance say little. Where it is larger by far (variance ratio), the statement is not true of them: the plain mean, u
    = s sqrt(1 + 1/n) and n - 1 degrees of freedom (JCGM 100, 4.2.2, 4.2.3). Raises ValueError for none, and for an u
    that is not above zero.
    """
    data, given = np.asarray(values, dtype=np.float64), np.asarray(us, dtype=np.float64)
    n = data.size
    if n < 1 or data.shape != given.shape or not (given > 0.0).all():
        raise ValueError("specimens are needed, each with its uncertainty")
    weights = 1.0 / (stated**2 + given**2)
    mean = float(np.average(data, weights=weights))
    s = float(np.std(data, ddof=1)) if n > 1 else None
    chi2 = float(np.sum(weights * (data - mean) ** 2))
    if s is not None and _contradicts(chi2 / (n - 1), n - 1):
        return Another(float(np.mean(data)), s, s * math.sqrt(1.0 + 1.0 / n), n - 1, as_stated=False)
    dof = STATED_DOF + n - 1
    wider2 = max(1.0, (STATED_DOF + chi2) / dof)
    return Another(mean, s, math.sqrt(wider2 * (stated**2 + 1.0 / float(weights.sum()))), dof, wider2 <= 1.0)


def _contradicts(ratio: float, dof: int) -> bool:
    from scipy.special import fdtrc

    return float(fdtrc(dof, STATED_DOF, ratio)) < BY_CHANCE
