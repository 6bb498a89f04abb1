"""A carriage that tips on its way, and what a scale beside the axis tells for it (Abbe's error).

Pitch and yaw are each two waves along the rail, of a length, share and phase that are drawn, whose sum never spans more
than the record's angle between two places. A scale that lies up and to the side of the axis runs ahead by its distance
times the angle.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sin

import numpy as np

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.hardware import AbbeRecord

ARCMIN = pi / 180 / 60
LENGTHS_UM = (6_000.0, 30_000.0)
"""Between what balls come round in and what a bearing spans."""
GREATER_SHARE = (0.5, 1.0)
"""Of the span, for one of the two waves; the other has the rest."""


class Tilt:
    """The tipping of one carriage."""

    def __init__(self, record: AbbeRecord | None, draws: Draws) -> None:
        self._record = record
        rng = draws.rng("encoder.tilt")
        self._waves = [_drawn(rng) for _ in ("pitch", "yaw")]
        self._at_zero = self._wave(0.0, 0), self._wave(0.0, 1)

    def ahead_um(self, place_um: float) -> float:
        """How much more the scale shows than the axis moved from the reference mark, um."""
        if self._record is None:
            return 0.0
        pitch, yaw = (self._wave(place_um, axis) - self._at_zero[axis] for axis in (0, 1))
        up = self._record.up_mm * self._record.pitch_arcmin * pitch
        side = self._record.side_mm * self._record.yaw_arcmin * yaw
        return 1000 * ARCMIN * (up + side)

    def _wave(self, place_um: float, axis: int) -> float:
        """Within +-1/2."""
        return sum(0.5 * one.share * sin(2 * pi * place_um / one.length_um + one.phase) for one in self._waves[axis])


@dataclass(frozen=True)
class Wave:
    """One wave along the rail; `share` of half the whole span is its height."""

    length_um: float
    share: float
    phase: float


def _drawn(rng: np.random.Generator) -> tuple[Wave, Wave]:
    greater = rng.uniform(*GREATER_SHARE)
    one, other = (Wave(rng.uniform(*LENGTHS_UM), share, rng.uniform(0, 2 * pi)) for share in (greater, 1 - greater))
    return one, other
