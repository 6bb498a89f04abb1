"""A photodiode behind a slit, its amplifier, and a second one that sees the lamp alone."""

from __future__ import annotations

from collections.abc import Callable
from math import pi, sin, sqrt

from benchd_simulators.world import slits
from benchd_simulators.world.amplifier import Amplifier
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.hardware import PhotodiodeRecord
from benchd_simulators.world.lens import Optic


class Photodiode:
    """Both diodes; `passed` tells the light through the slits now, 0 to 1, times what iris and filters leave of it,
    `lamp` the lamp's own, and `still_s` since when both have been as they are."""

    def __init__(
        self,
        record: PhotodiodeRecord,
        draws: Draws,
        now: Callable[[], float],
        *,
        passed: Callable[[], float],
        lamp: Callable[[], float],
        still_s: Callable[[], float],
    ) -> None:
        self.record = record
        self._now, self._passed, self._lamp, self._still_s = now, passed, lamp, still_s
        self.slit_um = draws.quantity("photodiode.slit_um", *record.slit_um.parts)
        other = record.source_slit_um
        self.source_slit_um = (
            self.slit_um if other is None else draws.quantity("photodiode.source_slit_um", *other.parts)
        )
        self._dark_V = draws.quantity("photodiode.dark_V", *record.dark_V.parts)
        self._rng = draws.rng("photodiode.noise")
        self._amplifiers = [Amplifier(now, record.settle_s, record.integration_s) for _ in range(2)]
        self._display: dict[Amplifier, tuple[int, float]] = {}

    def volts(self) -> float:
        """Behind the slit, in light from the lamp and from the room."""
        record = self.record
        hums = sin(4 * pi * record.mains_hz * self._now()) * _left(2 * record.mains_hz * record.integration_s)
        light = record.volts * self._lamp() * self._passed() + record.stray_V * (1 + hums)
        return self._shown(self._amplifiers[0], light)

    def reference_volts(self) -> float:
        """Beside the lamp, where no image is."""
        return self._shown(self._amplifiers[1], (self.record.reference_V or 0.0) * self._lamp())

    def light_of(self, optic: Optic, depth_um: float) -> float:
        """The share of light that passes the slits at a depth."""
        return slits.light(optic, depth_um, self.source_slit_um, self.slit_um)

    def peak_um(self, optic: Optic) -> float:
        """The depth at which most passes."""
        return slits.peak_um(optic, self.source_slit_um, self.slit_um)

    def _shown(self, amplifier: Amplifier, light_V: float) -> float:
        """What the display says, of one stretch of the meter always the same; it ends at its full scale."""
        record = self.record
        true = amplifier.tell(light_V, self._still_s())
        stretch, shown = self._display.get(amplifier, (-1, 0.0))
        if stretch == amplifier.stretch:
            return shown
        noise = sqrt(record.noise_V**2 + record.shot_V**2 * max(true, 0.0))
        told = self._dark_V + true + noise * float(self._rng.standard_normal())
        told = min(max(told, -record.full_scale_V), record.full_scale_V)
        shown = round(told / record.resolution_V) * record.resolution_V
        self._display[amplifier] = amplifier.stretch, shown
        return shown


def _left(turns: float) -> float:
    """What is left of a swing of which so many fall into one reading."""
    return 1.0 if turns == 0.0 else sin(pi * turns) / (pi * turns)
