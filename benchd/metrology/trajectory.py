"""Where a carriage was while something was gathered, from positions polled on its way.

Between two polls the speed is taken to be constant. What is gathered over a time belongs to the mean position in it:
the exact integral of the polygon.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class Trajectory:
    """The polygon through `z_um` at `t_s`, shape (n,) each, n >= 2, times rising strictly. Raises ValueError."""

    def __init__(self, t_s: ArrayLike, z_um: ArrayLike) -> None:
        t, z = np.asarray(t_s, dtype=np.float64), np.asarray(z_um, dtype=np.float64)
        if t.ndim != 1 or t.shape != z.shape or t.size < 2:
            raise ValueError(f"a trajectory needs two positions or more with a time each, not {z.shape} and {t.shape}")
        if not (np.isfinite(t).all() and np.isfinite(z).all() and (np.diff(t) > 0.0).all()):
            raise ValueError("times and positions have to be finite, and times to rise")
        self._origin = float(t[0])
        self._t, self._z = t - self._origin, z
        self._area = np.concatenate([[0.0], np.cumsum(0.5 * (z[1:] + z[:-1]) * np.diff(t))])

    @property
    def began_s(self) -> float:
        """The time of the first position."""
        return self._origin

    @property
    def longest_gap_s(self) -> float:
        """The longest time between two polls."""
        return float(np.diff(self._t).max())

    def mean_um(self, middle_s: ArrayLike, exposed_s: ArrayLike) -> Floats:
        """The mean position over `exposed_s` about `middle_s`, by broadcasting; NaN where that is not all within."""
        begins, ends = self._ends(middle_s, exposed_s)
        exposed = ends - begins
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = (self._integral(ends) - self._integral(begins)) / exposed
        return self._within(np.where(exposed > 0.0, mean, self._at(begins)), begins, ends)

    def speed_um_s(self, middle_s: ArrayLike, over_s: ArrayLike) -> Floats:
        """The mean speed over `over_s` (above zero) about `middle_s`, signed; NaN where that is not all within."""
        begins, ends = self._ends(middle_s, over_s)
        return self._within((self._at(ends) - self._at(begins)) / (ends - begins), begins, ends)

    def _ends(self, middle_s: ArrayLike, over_s: ArrayLike) -> tuple[Floats, Floats]:
        middle, half = np.asarray(middle_s, np.float64) - self._origin, 0.5 * np.asarray(over_s, np.float64)
        return middle - half, middle + half

    def _at(self, t: Floats) -> Floats:
        return np.interp(t, self._t, self._z)

    def _integral(self, t: Floats) -> Floats:
        """The polygon's integral from its beginning to `t`."""
        k = np.clip(np.searchsorted(self._t, t, side="right") - 1, 0, self._t.size - 2)
        return np.asarray(self._area[k] + 0.5 * (self._z[k] + self._at(t)) * (t - self._t[k]), dtype=np.float64)

    def _within(self, value: Floats, begins: Floats, ends: Floats) -> Floats:
        return np.where((begins >= 0.0) & (ends <= self._t[-1]), value, np.nan)
