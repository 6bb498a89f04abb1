"""Plane-parallel plates by ray trace: Snell's law at every surface, never a closed formula.

Rays converge towards an axial point behind the plates; the trace finds where each ray crosses the axis, with and
without the plates. Only relative lengths matter: where the plates stand along the cone makes no difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

import numpy as np

NEAR_AXIS = 1e-4  # direction sine of the ray that stands for the paraxial one
TRACED = 24  # rays over the cone


@dataclass(frozen=True, slots=True)
class Layer:
    """One plane-parallel layer; a gap is one of air, index 1, and is traced like any other."""

    thickness_um: float
    index: float


def crossing_shift_um(layers: Sequence[Layer], sine: float) -> float:
    """How much deeper a ray of direction sine `sine` in air crosses the axis with the layers in its way."""
    distance = sum(layer.thickness_um for layer in layers)  # the air path that the layers replace
    start = distance * sine / sqrt(1 - sine**2)  # height at which the ray must enter to cross at `distance`
    height, previous, direction = start, 1.0, sine
    for layer in layers:
        direction = direction * previous / layer.index
        height -= layer.thickness_um * direction / sqrt(1 - direction**2)
        previous = layer.index
    direction = direction * previous
    return height / (direction / sqrt(1 - direction**2))


def paraxial_shift_um(layers: Sequence[Layer]) -> float:
    """Shift of a ray near the axis."""
    return crossing_shift_um(layers, NEAR_AXIS) if layers else 0.0


def aberration_um(layers: Sequence[Layer], f_number: float) -> tuple[float, float, float]:
    """The plates' wavefront, coefficients (um) of rho^4, rho^6, rho^8 at the f-number, beside the paraxial focus.

    The longitudinal aberration LA of traced rays is fitted by even powers of the direction sine s = rho / (2 N) and
    integrated, dW = LA s ds. The factor 1/cos u is left out here and in the defocus term z s^2 / 2 alike: every zone
    then keeps the focus that its ray has.
    """
    return _aberration_um(tuple(layers), f_number) if layers else (0.0, 0.0, 0.0)


@lru_cache(maxsize=64)  # every picture asks for the same
def _aberration_um(layers: tuple[Layer, ...], f_number: float) -> tuple[float, float, float]:
    edge = 1 / (2 * f_number)
    s = edge * (np.arange(TRACED) + 1.0) / TRACED
    axial = paraxial_shift_um(layers)
    longitudinal = np.array([crossing_shift_um(layers, float(sine)) for sine in s]) - axial
    powers = np.stack([(s / edge) ** 2, (s / edge) ** 4, (s / edge) ** 6], axis=1)
    a, b, c = np.linalg.lstsq(powers, longitudinal, rcond=None)[0] * edge**2
    return float(a / 4), float(b / 6), float(c / 8)
