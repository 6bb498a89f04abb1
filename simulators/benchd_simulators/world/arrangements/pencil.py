"""A narrow pencil of light, stepped through thin surfaces and gaps one after another.

A pencil is one ray near the axis: how high it passes a plane and how it is inclined there. Its vergence is
-slope / height; the two are kept apart because each step is then a sum that stays finite where light is parallel
(vergence 0) and where it comes to a focus (vergence infinite). Heights and distances in um, powers in 1/um, light
travels towards growing distance; arrays of any shape are stepped as one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FARTHEST_UM = 1e9
"""An image farther away than a kilometre blurs as one that is just there."""


@dataclass(frozen=True, slots=True)
class Pencil:
    """Height (um) and slope of one ray where it has come to; arrays of one shape."""

    height_um: Floats
    slope: Floats

    @classmethod
    def from_axis(cls, distance_um: Floats | float) -> Pencil:
        """Light of a point of the axis, `distance_um` on its way."""
        distance = np.asarray(distance_um, dtype=np.float64)
        return cls(distance, np.ones_like(distance))

    @classmethod
    def along_axis(cls) -> Pencil:
        """The ray that leaves an object of height 1 parallel to the axis."""
        return cls(np.ones(()), np.zeros(()))

    def over(self, distance_um: Floats | float) -> Pencil:
        """On through air."""
        return Pencil(np.asarray(self.height_um + self.slope * distance_um), self.slope)

    def through(self, power_per_um: float) -> Pencil:
        """A thin lens's or a mirror's power; positive makes light converge. What a mirror turns back travels on."""
        return Pencil(self.height_um, np.asarray(self.slope - self.height_um * power_per_um))

    def crosses_um(self) -> Floats:
        """How far ahead the ray crosses the axis, which is where the image lies; negative where it lies behind."""
        least = np.abs(self.height_um) / FARTHEST_UM
        slope = np.where(np.abs(self.slope) < least, np.copysign(least, self.slope), self.slope)
        return np.asarray(-self.height_um / slope)
