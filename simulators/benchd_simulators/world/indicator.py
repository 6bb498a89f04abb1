"""The contact indicator on its bridge, read where the bridge stands.

With the bridge on a face and the tip on a surface d below that face, the indicator reads d less the length of its
probe, or the negative of that where its reading grows as the tip is pushed in. Standing nowhere, the tip hangs fully
out.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.hardware import IndicatorRecord

OVER_UM = 999.9  # what the display shows beyond its range


class Indicator:
    """Range, resolution, hysteresis, gain error, creeping zero, and a little scatter each time the bridge is set."""

    def __init__(self, record: IndicatorRecord, draws: Draws, now: Callable[[], float]) -> None:
        self.record = record
        self._now = now
        self._gain = draws.quantity("indicator.gain", *record.gain.parts)
        self._probe_um = draws.quantity("indicator.probe_um", *record.probe_um.parts)
        self._creep_um = draws.quantity("indicator.creep_um", *record.creep_um.parts)
        self._rng = draws.rng("indicator.noise")
        self._mounting = draws.rng("indicator.mounting")
        # A hand that lets the tip down does it from one side or the other, and at one kind of place always alike.
        self._side = {
            where: float(draws.rng(f"indicator.habit.{where}").choice((-1.0, 1.0)))
            for where in ("ring", "base", "adapter")
        }
        self._from = 1.0
        self._began = now()
        self._scatter_um = 0.0
        self._spindle_um: float | None = None
        self._tip_um = 0.0

    def place(self, where: str) -> None:
        """The bridge is set down anew on `ring`, `base` or `adapter`; the tip comes in as the hand is used to."""
        self._from = self._side.get(where, 1.0)
        self._scatter_um = self.record.remount_um * float(self._mounting.standard_normal())
        self._spindle_um = None

    def let_down(self) -> None:
        """The tip is lifted and let down again: it comes out onto the surface, whatever the hand is used to."""
        self._from = -1.0
        self._spindle_um = None

    def side_um(self, where: str) -> float:
        """What the side from which the tip comes adds to each reading on `ring`, `base` or `adapter`."""
        return self._side.get(where, 1.0) * self.record.hysteresis_um / 2

    def read_um(self, below_um: float | None) -> float:
        """The display, um, for a surface `below_um` under the bridge's feet; None where the bridge stands nowhere."""
        sign = 1.0 if self.record.grows == "deeper" else -1.0
        if below_um is None:
            return sign * OVER_UM
        tip = below_um - self._probe_um + self._scatter_um
        if self._spindle_um is None:
            self._spindle_um = tip + self._from * self.record.hysteresis_um / 2
        spindle = self._drag(tip)
        creep = self._creep_um * (1 - exp(-(self._now() - self._began) / self.record.creep_s))
        value = sign * (self._gain * spindle + creep) + self.record.noise_um * self._rng.standard_normal()
        if abs(value) > self.record.range_um:
            return OVER_UM if value > 0 else -OVER_UM
        return round(value / self.record.resolution_um) * self.record.resolution_um

    def follow(self, by_um: float) -> None:
        """The surface under the tip has gone deeper by so much, without a reversal."""
        if self._spindle_um is not None:
            self._drag(self._tip_um + by_um)

    def _drag(self, tip_um: float) -> float:
        """Where the spindle then is: it follows the tip once half of the hysteresis is used up."""
        assert self._spindle_um is not None
        half = self.record.hysteresis_um / 2
        self._tip_um, self._spindle_um = tip_um, min(max(self._spindle_um, tip_um - half), tip_um + half)
        return self._spindle_um
