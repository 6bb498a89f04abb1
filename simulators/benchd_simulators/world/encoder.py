"""The linear encoder: what it reads of the carriage's true place.

Until the reference mark has passed, it counts from where power-up found it; at the mark it sets itself to 0, so that
from then on it reads 0 at the mark. The true base depth belongs to that reading.
"""

from __future__ import annotations

from math import pi, sin

import numpy as np
from numpy.typing import NDArray

from benchd_simulators.world.carriage import Carriage
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.hardware import EncoderRecord
from benchd_simulators.world.tilt import Tilt


class Encoder:
    """A glass scale beside the axis: scale error, growth, sub-divisional error, noise, counts and a reference mark."""

    def __init__(self, record: EncoderRecord, carriage: Carriage, draws: Draws) -> None:
        self.record = record
        self._carriage = carriage
        self._phase = draws.rng("encoder.phase").uniform(0, 2 * pi)
        self._rng = draws.rng("encoder.noise")
        self._scale = draws.quantity("encoder.scale", *record.scale.parts)
        self.alpha_per_K = draws.quantity("encoder.alpha_per_K", *record.alpha_per_K.parts)
        self.tilt = Tilt(record.abbe, draws)
        self.delta_K = 0.0
        self.reference_seen = False
        self._zero_um = 0.0
        self._frozen: float | None = None
        self._turn_um: float | None = None
        self.power_up()

    def power_up(self) -> None:
        """Begin to count from here, the reference mark not yet seen."""
        self._carriage.span_um()
        self.reference_seen = False
        self.jump_um = 0.0
        self._zero_um = self.scale_um(self._carriage.um())

    def scale_um(self, place_um: float) -> float:
        """What the scale shows, noise-free, of a place in um from the mark (0 at the mark)."""
        grown = (place_um + self.tilt.ahead_um(place_um)) / ((1 + self._scale) * (1 + self.alpha_per_K * self.delta_K))
        turn = 2 * pi * place_um / self.record.period_um
        return grown + self.record.subdivision_um * (sin(turn + self._phase) - sin(self._phase))

    def subdivided_um(self, places_um: NDArray[np.float64]) -> NDArray[np.float64]:
        """What the subdivision adds at places, where nothing else is off."""
        turn = 2 * pi * places_um / self.record.period_um
        answer: NDArray[np.float64] = self.record.subdivision_um * np.sin(turn + self._phase)
        return answer

    def read_um(self) -> float:
        """The counter's reading now."""
        low, high = self._carriage.span_um()
        if low <= 0.0 <= high and not self.reference_seen:
            self.reference_seen = True
            self._zero_um = 0.0
        if self._frozen is not None:
            return self._frozen
        value = self.scale_um(self._carriage.um()) - self._zero_um + self.jump_um
        value += self.record.noise_um * self._rng.standard_normal()
        if self._turn_um is not None:
            value = 2 * self._turn_um - value
        return round(value / self.record.resolution_um) * self.record.resolution_um

    def freeze(self, on: bool) -> None:
        """Fault: the reading stays as it is."""
        self._frozen = None
        self._frozen = self.read_um() if on else None

    def reverse(self, on: bool) -> None:
        """Fault: the count runs the wrong way from here on."""
        self._turn_um = None
        self._turn_um = self.read_um() if on else None
