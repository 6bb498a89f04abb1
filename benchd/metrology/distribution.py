"""The distribution of an error about zero: a scaled t (or normal), alone or convolved with one bounded shape.

Interval and probability of conformity both come from here, so they can never disagree. scipy is imported where it is
called: whoever only names these types, as the daemon does, is spared its weight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchd.metrology.roots import bracketed_root

Shape = Literal["normal", "rectangular", "arcsine", "triangular"]

_STRIPS = 512  # equal-probability strips of the bounded shape
_STRIPS_FOR_A_SHARP_CORE = 4096  # where the core is narrower than a tenth of the shape and falls between strips


def coverage_factor(dof: float | None, coverage: float = 0.95) -> float:
    """Half-width in standard uncertainties that holds `coverage`, two-sided: t, or normal for dof None.

    Degrees of freedom need not be whole (JCGM 100, G.4.1 allows interpolation as well as truncation).
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"a coverage lies between 0 and 1, not at {coverage}")
    from scipy.special import ndtri, stdtrit

    upper = 0.5 * (1.0 + coverage)
    return float(ndtri(upper)) if dof is None else float(stdtrit(dof, upper))


def shape_quantile(shape: Shape, p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Quantiles of a bounded shape of unit standard deviation about zero, for probabilities `p`."""
    if shape == "rectangular":
        return math.sqrt(3.0) * (2.0 * p - 1.0)
    if shape == "arcsine":
        return math.sqrt(2.0) * np.sin(np.pi * (p - 0.5))
    if shape == "triangular":
        tail = 1.0 - np.sqrt(2.0 * np.minimum(p, 1.0 - p))
        return math.sqrt(6.0) * np.sign(p - 0.5) * tail
    raise ValueError(f"{shape} is not a bounded shape")


def _shape_cdf(shape: Shape, x: float) -> float:
    if shape == "rectangular":
        return min(1.0, max(0.0, 0.5 + x / (2.0 * math.sqrt(3.0))))
    if shape == "arcsine":
        return 0.5 + math.asin(min(1.0, max(-1.0, x / math.sqrt(2.0)))) / math.pi
    tail = 0.5 * max(0.0, 1.0 - abs(x) / math.sqrt(6.0)) ** 2
    return 1.0 - tail if x > 0.0 else tail


@dataclass(frozen=True, slots=True)
class ErrorDistribution:
    """Symmetric about zero: t of scale `u_core` and `dof_core` (None: normal), plus `shape` of standard `u_shape`.

    A t is taken with its scale equal to the standard uncertainty, as JCGM 100 G.3 and JCGM 101 6.4.9 do.
    """

    u_core: float
    dof_core: float | None = None
    shape: Shape = "normal"
    u_shape: float = 0.0

    def cdf(self, x: float) -> float:
        """Probability that the error is at most `x`."""
        if self.u_shape == 0.0:
            if self.u_core == 0.0:
                return 0.5 if x == 0.0 else float(x > 0.0)
            return float(self._core(np.array([x / self.u_core]))[0])
        if self.u_core == 0.0:
            return _shape_cdf(self.shape, x / self.u_shape)
        if math.isinf(x):
            return float(x > 0.0)
        # The convolution as the mean, over strips of equal probability, of the core seen from each strip's place.
        strips = _STRIPS if self.u_core > 0.1 * self.u_shape else _STRIPS_FOR_A_SHARP_CORE
        p = (np.arange(strips) + 0.5) / strips
        places = self.u_shape * shape_quantile(self.shape, p)
        return float(np.mean(self._core((x - places) / self.u_core)))

    def within(self, low: float, high: float) -> float:
        """Probability that the error lies between `low` and `high` (either may be infinite)."""
        below = 0.0 if low == -math.inf else self.cdf(low)
        above = 1.0 if high == math.inf else self.cdf(high)
        return max(0.0, above - below)

    def half_width(self, coverage: float = 0.95) -> float:
        """Half-width of the symmetric interval about zero that holds `coverage`."""
        if self.u_shape == 0.0:
            return self.u_core * coverage_factor(self.dof_core, coverage)
        high = self.u_shape * math.sqrt(6.0) + self.u_core * coverage_factor(self.dof_core, 0.5 * (1.0 + coverage))
        target = 0.5 * (1.0 + coverage)
        return bracketed_root(lambda x: self.cdf(x) - target, 0.0, high, relative=1e-6)

    def scaled(self, factor: float) -> ErrorDistribution:
        """The same shape, `factor` times as wide."""
        return replace(self, u_core=factor * self.u_core, u_shape=factor * self.u_shape)

    def _core(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        from scipy.special import ndtr, stdtr

        return np.asarray(ndtr(x) if self.dof_core is None else stdtr(self.dof_core, x), dtype=np.float64)
