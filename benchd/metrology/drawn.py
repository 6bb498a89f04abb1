"""A drawn case of the accuracy study: what is stated with its interval, and the truth that it was not told."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import numpy as np


class Drawn(NamedTuple):
    """A stated value with its standard and its expanded uncertainty (95 %), and the truth, all in one unit."""

    value: float
    u: float
    U: float
    truth: float


Stratum = Callable[["np.random.Generator"], Drawn]
"""From drawn numbers to a case. Coverage of many is how often `U` holds the truth."""
