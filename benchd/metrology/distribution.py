"""The distribution of an error about zero: a scaled t (or normal), alone or convolved with bounded shapes.

Interval and probability of conformity both come from here, so they cannot disagree. scipy is imported where it is
called, so that importing these types, as the daemon does, stays cheap.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchd.metrology.roots import bracketed_root

Shape = Literal["normal", "rectangular", "arcsine", "triangular"]

_STRIPS = 512  # equal-probability strips of the bounded shape
_STRIPS_FOR_A_SHARP_CORE = 4096  # where the core is narrower than a tenth of the shape and falls between strips
_STRIPS_OF_SUMS = 256  # of each of several bounded shapes: their sum has no edges that a coarse strip would blur


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


def _places(shapes: Sequence[tuple[Shape, float]], u_core: float) -> NDArray[np.float64]:
    """Places of equal probability of the sum of independent bounded shapes (name, standard uncertainty), ascending."""
    if len(shapes) == 1:
        ((shape, u),) = shapes
        strips = _STRIPS if u_core > 0.1 * u else _STRIPS_FOR_A_SHARP_CORE
        return u * shape_quantile(shape, (np.arange(strips) + 0.5) / strips)
    middles = (np.arange(_STRIPS_OF_SUMS) + 0.5) / _STRIPS_OF_SUMS
    places = np.zeros(1)
    for shape, u in shapes:
        sums = np.sort(np.add.outer(places, u * shape_quantile(shape, middles)), axis=None)
        places = sums.reshape(_STRIPS_OF_SUMS, -1).mean(axis=1)
    return places


@dataclass(frozen=True, slots=True)
class ErrorDistribution:
    """Symmetric about zero: t of scale `u_core` and `dof_core` (None: normal), plus bounded `shapes`, each with its u.

    A t is taken with its scale equal to the standard uncertainty, as JCGM 100 G.3 and JCGM 101 6.4.9 do.
    """

    u_core: float
    dof_core: float | None = None
    shapes: tuple[tuple[Shape, float], ...] = ()
    _at: NDArray[np.float64] | None = field(init=False, repr=False, compare=False, default=None)

    def __post_init__(self) -> None:
        object.__setattr__(self, "shapes", tuple((shape, u) for shape, u in self.shapes if u > 0.0))
        if self.shapes and (self.u_core > 0.0 or len(self.shapes) > 1):
            object.__setattr__(self, "_at", _places(self.shapes, self.u_core))

    def cdf(self, x: float) -> float:
        """Probability that the error is at most `x`."""
        if math.isinf(x):
            return float(x > 0.0)
        if not self.shapes:
            if self.u_core == 0.0:
                return 0.5 if x == 0.0 else float(x > 0.0)
            return float(self._core(np.array([x / self.u_core]))[0])
        if self._at is None:
            ((shape, u),) = self.shapes
            return _shape_cdf(shape, x / u)
        if self.u_core == 0.0:
            p = (np.arange(self._at.size) + 0.5) / self._at.size
            return float(np.interp(x, self._at, p, left=0.0, right=1.0))
        # The convolution as the mean, over strips of equal probability, of the core seen from each strip's place.
        return float(np.mean(self._core((x - self._at) / self.u_core)))

    def within(self, low: float, high: float) -> float:
        """Probability that the error lies between `low` and `high` (either may be infinite)."""
        below = 0.0 if low == -math.inf else self.cdf(low)
        above = 1.0 if high == math.inf else self.cdf(high)
        return max(0.0, above - below)

    def half_width(self, coverage: float = 0.95) -> float:
        """Half-width of the symmetric interval about zero that holds `coverage`."""
        if not self.shapes:
            return self.u_core * coverage_factor(self.dof_core, coverage)
        # No bounded shape reaches further than a triangle, root 6 of its u.
        bound = math.sqrt(6.0) * sum(u for _, u in self.shapes)
        high = bound + self.u_core * coverage_factor(self.dof_core, 0.5 * (1.0 + coverage))
        target = 0.5 * (1.0 + coverage)
        return bracketed_root(lambda x: self.cdf(x) - target, 0.0, high, relative=1e-6)

    def scaled(self, factor: float) -> ErrorDistribution:
        """The same shape, `factor` times as wide."""
        core = replace(self, u_core=factor * self.u_core, shapes=())
        if factor > 0.0:  # places go with their shapes, and to find them again costs more than all else of a decision
            object.__setattr__(core, "shapes", tuple((shape, factor * u) for shape, u in self.shapes))
            object.__setattr__(core, "_at", None if self._at is None else factor * self._at)
        return core

    def _core(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        from scipy.special import ndtr, stdtr

        return np.asarray(ndtr(x) if self.dof_core is None else stdtr(self.dof_core, x), dtype=np.float64)
