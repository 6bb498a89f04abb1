"""A dial gauge clamped to the frame, its tip on the carriage: a scale for a short way."""

from __future__ import annotations

from benchd_simulators.world.carriage import Carriage
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.hardware import DialRecord


class Dial:
    """Range, resolution, hysteresis and gain error; the tip follows the carriage wherever it goes."""

    def __init__(self, record: DialRecord, carriage: Carriage, draws: Draws) -> None:
        self.record = record
        self._carriage = carriage
        self._gain = draws.quantity("dial.gain", *record.gain.parts)
        self._zero_um = draws.quantity("dial.zero_um", *record.zero_um.parts)
        self._rng = draws.rng("dial.noise")
        self._spindle_um = carriage.um()

    def follow(self, place_um: float) -> None:
        """The carriage has come here, without reversals since the last place."""
        half = self.record.hysteresis_um / 2
        self._spindle_um = min(max(self._spindle_um, place_um - half), place_um + half)

    def read_um(self) -> float:
        """The display, um; beyond its range it shows its end and a unit more."""
        self.follow(self._carriage.um())
        value = self._gain * (self._spindle_um - self._zero_um) + self.record.noise_um * self._rng.standard_normal()
        value = round(value / self.record.resolution_um) * self.record.resolution_um
        beyond = self.record.resolution_um
        return min(max(value, -beyond), self.record.range_um + beyond)
