"""A family of curves over focus with one parameter of shape, as a table that can be read between its entries."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

NODES, WEIGHTS = np.polynomial.legendre.leggauss(9)[0], np.polynomial.legendre.leggauss(9)[1] / 2.0
"""Places of a way, in halves of it, and what each weighs in the mean over it (Gauss and Legendre)."""

FINER = 2
"""Steps of the table counted from each curve's peak, in a step of the one given: read twice, it loses nothing."""


class Shapes(NamedTuple):
    """Values of curves: rows over focus `u`, in geometric half-widths, columns over the parameter `shape`."""

    u: FloatArray
    shape: FloatArray
    value: FloatArray


class Family:
    """Curves, each counted from its own peak and of height 1; beyond the table they stay as they are at its end.

    So peaks lie above each other whatever the shape, and splines along it are smooth where the curves are not. `u_peak`
    is the standard uncertainty, in geometric half-widths, by which the best curve of the family peaks beside one that
    is a little outside: no noise shows that. Where each reading was the mean over a `way` (geometric half-widths), so
    is each curve, still counted from the peak that it has without.
    """

    def __init__(self, shapes: Shapes, u_peak: float = 0.0, way: float = 0.0) -> None:
        from scipy.interpolate import make_interp_spline

        self.u_peak = u_peak
        self.reach = float(shapes.shape[-1])
        given = make_interp_spline(shapes.u, shapes.value)
        first, last = float(shapes.u[0]), float(shapes.u[-1])
        fine = np.linspace(first, last, 4001)
        curves = given(fine)
        tops = [_vertex(fine, curves[:, i], at) for i, at in enumerate(curves.argmax(axis=0))]
        beyond = np.linspace(first, last, 1 + FINER * (shapes.u.size - 1))
        over = 0.5 * way * NODES[:, None]
        columns = [
            WEIGHTS @ given(np.clip(beyond + top + over, first, last))[..., i] / given(top)[i]
            for i, top in enumerate(tops)
        ]
        counted = make_interp_spline(beyond, np.stack(columns, axis=1))
        self._last, self._knots = float(beyond[-1]), counted.t
        self._along = make_interp_spline(shapes.shape, counted.c.T)

    def curve(self, beyond: FloatArray, shape: float) -> FloatArray:
        """At places `beyond` the peak, in geometric half-widths."""
        return self._read(beyond, self._along(shape))

    def slopes(self, beyond: FloatArray, shape: float) -> tuple[FloatArray, FloatArray]:
        """Derivatives of `curve` by place and by shape."""
        inside = np.abs(beyond) < self._last
        by_place = np.where(inside, self._read(beyond, self._along(shape), 1), 0.0)
        return by_place, self._read(beyond, self._along(shape, 1))

    def hwhm(self, shape: float) -> float:
        """Half-width at half height, the mean of both sides, in geometric half-widths."""
        beyond = np.linspace(0.0, 3.0, 1201)
        sides = [beyond[int(np.argmax(self.curve(sign * beyond, shape) < 0.5))] for sign in (-1.0, 1.0)]
        return float(np.mean(sides))

    def _read(self, beyond: FloatArray, coefficients: FloatArray, derivative: int = 0) -> FloatArray:
        from scipy.interpolate import BSpline

        spline = BSpline.construct_fast(self._knots, coefficients, 3)
        return np.asarray(spline(np.clip(beyond, -self._last, self._last), derivative), dtype=np.float64)


def _vertex(x: FloatArray, y: FloatArray, at: int) -> float:
    """The top of the parabola through the highest entry and its neighbours."""
    at = min(max(at, 1), x.size - 2)
    a, b, c = y[at - 1 : at + 2]
    return float(x[at] + 0.5 * (x[1] - x[0]) * (a - c) / (a - 2.0 * b + c))
