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
    """Weighted mean of n specimens, their standard deviation s (None of one), and the standard uncertainty of another
    specimen with its degrees of freedom."""

    mean: float
    s: float | None
    u: float
    dof: int


def another_specimen(values: Sequence[float], us: Sequence[float], stated: float) -> Another:
    """Another specimen than those measured, each with the standard uncertainty of `us`, which weighs it.

    `stated` is the standard deviation of specimens as it is stated. What they measured scatter by is pooled with it and
    with what measuring adds (JCGM 100, H.3.6 of pooled estimates by degrees of freedom): few specimens that agree, or
    do not, by chance say little. The mean of n and the one more both scatter: u^2 = sigma^2 (1 + 1/n) + u_measured^2/n.
    Where they scatter by far more than that (variance ratio), the statement is not true of them and u is s sqrt(1 +
    1/n) with n - 1 degrees of freedom (4.2.2, 4.2.3). Raises ValueError for none, and for an u that is not above zero.
    """
    data, given = np.asarray(values, dtype=np.float64), np.asarray(us, dtype=np.float64)
    n = data.size
    if n < 1 or data.shape != given.shape or not (given > 0.0).all():
        raise ValueError("specimens are needed, each with its uncertainty")
    weights = given**-2.0
    mean, measured = float(np.average(data, weights=weights)), math.sqrt(n / float(weights.sum()))
    expected2 = stated**2 + measured**2
    s2 = measured**2 * float(np.sum(weights * (data - mean) ** 2)) / (n - 1) if n > 1 else 0.0
    s = math.sqrt(s2) if n > 1 else None
    if n > 1 and _contradicts(s2 / expected2, n - 1):
        return Another(mean, s, math.sqrt(s2 * (1.0 + 1.0 / n)), n - 1)
    dof = STATED_DOF + n - 1
    pooled2 = (STATED_DOF * expected2 + (n - 1) * s2) / dof
    own2 = max(stated**2, pooled2 - measured**2)
    return Another(mean, s, math.sqrt(own2 * (1.0 + 1.0 / n) + measured**2 / n), dof)


def _contradicts(ratio: float, dof: int) -> bool:
    from scipy.special import fdtrc

    return float(fdtrc(dof, STATED_DOF, ratio)) < BY_CHANCE
