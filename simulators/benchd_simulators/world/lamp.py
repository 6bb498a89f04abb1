"""The light behind the target: level, warm-up droop, pulse width."""

from __future__ import annotations

from collections.abc import Callable
from math import exp

from benchd_simulators.world.hardware import LampRecord


class Lamp:
    """An LED; `level` is 0 to 1 and mean light is proportional to it (PWM)."""

    def __init__(self, record: LampRecord, now: Callable[[], float]) -> None:
        self.record = record
        self._now = now
        self._level = 0.0
        self._warmth = 0.0
        self._t = now()
        self.set_t = self._t
        """When it was last set."""

    @property
    def level(self) -> float:
        return self._level

    def set_level(self, level: float) -> None:
        """Set the level, clipped to 0..1; what warmth the die has gathered stays."""
        self._warm()
        self._level = min(max(float(level), 0.0), 1.0)
        self.set_t = self._now()

    def _warm(self) -> None:
        t = self._now()
        reached = self._level + (self._warmth - self._level) * exp(-(t - self._t) / self.record.warm_up_s)
        self._warmth, self._t = reached, t

    def light(self) -> float:
        """Mean light relative to a cold die at level 1."""
        self._warm()
        return self._level * (1 - self.record.droop * self._warmth)
