"""The least-squares search for the curve of a family through points, and how far its peak can go from there.

Six numbers describe a curve: peak (um), height, shape, width, pedestal, and by how much the scale of focus grows along
it. Height and pedestal are linear: each trial of the other four has its own (variable projection, Golub & Pereyra 1973,
with the derivative of Kaufman 1975).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.metrology.shape_family import Family

FloatArray = NDArray[np.float64]

STARTS = (-0.2, 0.2)
"""Shapes that the two searches begin with, in shares of the family's reach."""

WIDTHS = (0.55, 1.8)
"""Bounds of the width beside that of the f-number: diffraction is in the family, and no f-number is that wrong."""

MOST_BENT = 0.1
"""Bound of the growth of scale, relative, over one geometric half-width: a mirror 200 mm before an 18 mm lens at f/5.6,
and a slit of 25 um."""

LIFTED = 2.0
"""How many times as far width and bend go where it is asked what their bounds did to the peak."""

TOLERANCE = 1e-7
PROFILED, NEAR_ENOUGH = 5, 0.05
"""Steps of the search for where chi-square has grown enough, and how near to that it ends."""

AT_BOUND = 1e-3
"""A number that near to its bound, in shares of the way between both, stopped there."""

FREE = [0, 2, 3, 5]
"""The numbers of a curve that are no factors of it: peak, shape, width and bend."""


def model(family: Family, z: FloatArray, half_width: float, found: Iterable[float]) -> FloatArray:
    peak, height, shape, width, pedestal, bend = found
    beyond = (z - peak) / (width * half_width)
    return np.asarray(pedestal + height * family.curve(beyond * (1.0 + bend * beyond), shape), dtype=np.float64)


def jacobian(family: Family, z: FloatArray, half_width: float, found: FloatArray) -> FloatArray:
    """Derivatives of `model` by the six numbers, shape (n, 6)."""
    peak, height, shape, width, _, bend = found
    beyond = (z - peak) / (width * half_width)
    places = beyond * (1.0 + bend * beyond)
    by_place, by_shape = family.slopes(places, shape)
    by_beyond = height * by_place * (1.0 + 2.0 * bend * beyond)
    columns = (
        -by_beyond / (width * half_width),
        family.curve(places, shape),
        height * by_shape,
        -by_beyond * beyond / width,
        np.ones_like(places),
        height * by_place * beyond**2,
    )
    return np.stack(columns, axis=-1)


class Search:
    """Points with their weights, shape (n,), and the curves of the family through them."""

    def __init__(
        self, family: Family, z: FloatArray, v: FloatArray, weight: FloatArray, half_width: float, lifted: float = 1.0
    ) -> None:
        """`lifted` is how many times as far as usual width and bend may go."""
        self.family, self.z, self.v, self.weight, self.half_width = family, z, v, weight, half_width
        self._norm = float(np.linalg.norm(weight))
        self._flat = weight / self._norm
        shape = family.reach
        bent = lifted * MOST_BENT
        self._bounds = np.array([[float(z.min()), -shape, WIDTHS[0] / lifted, -bent],
                                 [float(z.max()), shape, WIDTHS[1] * lifted, bent]])  # fmt: skip
        self._scale = np.array([0.1 * half_width, 0.2 * shape, 0.1, 0.05])

    def whole(self, trial: FloatArray) -> FloatArray:
        """All six numbers of a trial of peak, shape, width and bend."""
        return self._followed(trial)[0]

    def off(self, trial: FloatArray) -> FloatArray:
        """Weighted residuals."""
        found, curve, _ = self._followed(trial)
        return np.asarray((found[4] + found[1] * curve - self.v) * self.weight, dtype=np.float64)

    def by(self, trial: FloatArray) -> FloatArray:
        """Their derivatives by the four, height and pedestal following: shape (n, 4)."""
        found, _, rising = self._followed(trial)
        slopes = jacobian(self.family, self.z, self.half_width, found)[:, FREE] * self.weight[:, None]
        for unit in (self._flat, rising):
            slopes = slopes - unit[:, None] * (unit @ slopes)
        return slopes

    def _followed(self, trial: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """A trial with its height and pedestal, the curve of height 1, and the direction of what of that, weighted, no
        pedestal explains."""
        peak, shape, width, bend = trial
        curve = model(self.family, self.z, self.half_width, (peak, 1.0, shape, width, 0.0, bend))
        rising, seen = self.weight * curve, self.weight * self.v
        level, most = float(self._flat @ rising), float(self._flat @ seen)
        rising = rising - level * self._flat
        size = max(math.sqrt(float(rising @ rising)), float(np.finfo(np.float64).tiny))
        rising /= size
        height = float(rising @ seen) / size
        return np.array([peak, height, shape, width, (most - height * level) / self._norm, bend]), curve, rising

    def valleys(self, known: FloatArray | None = None) -> list[FloatArray]:
        """The six numbers at the least chi-square of either sign of shape, the deeper first: from what is `known` to be
        near, or from the best of some places. A curve skewed one way with its scale bent is hardly another than one
        skewed the other way, but peaks elsewhere."""
        low, high = self._bounds[:, 0]
        places = [np.array([peak, 0.0, 1.0, 0.0]) for peak in np.linspace(low, high, 41)[1:-1]]
        start = min(places, key=self._chi2) if known is None else known[FREE]
        tries = [self._least(np.array([start[0], share * self.family.reach, *start[2:]])) for share in STARTS]
        return [self.whole(one.x) for one in sorted(tries, key=lambda one: float(one.cost))]

    def stopped(self, found: FloatArray) -> bool:
        """Whether shape, width or bend would go farther than is allowed."""
        low, high = self._bounds
        share = (found[FREE] - low) / (high - low)
        return bool(np.any(np.minimum(share, 1.0 - share)[1:] < AT_BOUND))

    def reaches(self, valleys: Sequence[FloatArray], u_um: float, chi2_per_dof: float, k: float) -> tuple[float, bool]:
        """The standard uncertainty of the first valley's peak by how far a peak can lie before chi-square has grown as
        much as `k` standard uncertainties make it, the other numbers following: the farthest on both sides of each of
        the valleys that is no less deep than that, and no less than `u_um`; and whether all of that was found.

        A fit that stopped at a bound peaks beside one that goes on, and the bound clips what follows a peak: there, how
        far it can go is told by a search whose bounds are lifted.
        """
        best = valleys[0]
        most = self._chi2(best[FREE]) + k**2 * chi2_per_dof
        search = self._lifted() if self.stopped(best) else self
        starts = valleys if search is self else search.valleys(best)
        farthest, all_found = k * u_um, True
        for start in (one[FREE] for one in starts):
            least = self._chi2(start)
            if least >= most:
                continue
            for side in (-1.0, 1.0):
                away, found = search._reach(start, least, most, side * k * u_um)
                farthest, all_found = max(farthest, abs(start[0] + away - best[0])), all_found and found
        return farthest / k, all_found

    def _lifted(self) -> Search:
        return Search(self.family, self.z, self.v, self.weight, self.half_width, LIFTED)

    def _reach(self, start: FloatArray, least: float, most: float, away: float) -> tuple[float, bool]:
        """How far from a valley's peak chi-square has grown from `least` to `most`, about `away`, and on that side; and
        whether it had: otherwise that far the peak can lie at least."""
        others, reached = start[1:], 0.0
        for _ in range(PROFILED):
            tried = self._least(np.array([start[0] + away, *others]), held=1)
            grown = (2.0 * float(tried.cost) - least) / (most - least)
            if grown >= 1.0 - NEAR_ENOUGH:
                return away / math.sqrt(max(grown, 1.0)), True
            others, reached, away = tried.x, away, away / math.sqrt(max(grown, 0.25))
        return reached, False

    def _chi2(self, trial: FloatArray) -> float:
        return float(np.sum(self.off(trial) ** 2))

    def _least(self, start: FloatArray, held: int = 0) -> Any:
        """The search from here; the first `held` numbers stay."""
        from scipy.optimize import least_squares

        low, high = self._bounds[:, held:]

        def off(free: FloatArray) -> FloatArray:
            return self.off(np.append(start[:held], free))

        def by(free: FloatArray) -> FloatArray:
            return self.by(np.append(start[:held], free))[:, held:]

        inside, scale = np.clip(start[held:], low, high), self._scale[held:]
        return least_squares(off, inside, by, (low, high), x_scale=scale, xtol=TOLERANCE, ftol=TOLERANCE)
