"""A carriage that tips on its way, and what a scale beside the axis tells for it (Abbe's error).

Pitch and yaw are each two waves of drawn phase along the rail, whose sum never spans more than the record's angle
between two places. A scale that lies up and to the side of the axis runs ahead by its distance times the angle.
"""

from __future__ import annotations

from math import pi, sin

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.schema import AbbeRecord

ARCMIN = pi / 180 / 60
WAVES = ((25_000.0, 0.6), (8_000.0, 0.4))  # length along the rail, um, and share of half the span


class Tilt:
    """The tipping of one carriage."""

    def __init__(self, record: AbbeRecord | None, draws: Draws) -> None:
        self._record = record
        rng = draws.rng("encoder.tilt")
        self._phases = [(rng.uniform(0, 2 * pi), rng.uniform(0, 2 * pi)) for _ in WAVES]
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
        waves = zip(WAVES, self._phases, strict=True)
        return sum(0.5 * share * sin(2 * pi * place_um / length + phase[axis]) for (length, share), phase in waves)
