"""The carriage: where it truly stands, as a screw with its errors drives it.

Coordinates are um from the encoder's reference mark, positive away from the lens. The carriage follows the motor
lazily: `advance` replays what the shaft did since the last look, piece by piece without reversals, which is exact for
the play of the nut, the end stops and the lost steps.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, pi, sin

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.hardware import CarriageRecord
from benchd_simulators.world.motor import Motor


class Carriage:
    """Motor through leadscrew, nut and stops; pushed, stalled and slipping where asked."""

    def __init__(
        self, record: CarriageRecord, motor: Motor, draws: Draws, now: Callable[[], float], name: str = "carriage"
    ) -> None:
        self.record = record
        self._motor = motor
        self._now = now
        rng = draws.rng(name)
        self._phase = float(rng.uniform(0, 2 * pi))
        self._cumulative = draws.quantity(f"{name}.cumulative", *record.cumulative.parts)
        low, high = record.starts_um
        self._nut_um = float(rng.uniform(low, high))
        self._shaft_um = motor.at(now())[0]
        self._slip_um = self._nut_um - self._shaft_um
        self._t = now()
        self._scatter = draws.rng(f"{name}.switch")
        self._play = draws.rng(f"{name}.play")
        self._half_um, self._way = record.backlash_um / 2, 0.0
        self._trip_um = record.home_switch_um
        self._tripped = False
        self.stalled = False
        self.worn_um = 0.0
        """By so much more the home switch scatters (standard deviation)."""
        self.pending_loss_um = 0.0
        self.growth = 1.0
        self._lowest_um = self._highest_um = self._place_um = self._steady_um()
        self.passes: Callable[[float, float], None] = lambda from_um, to_um: None
        """Told of each piece of way without reversals, once it is caught up with."""
        motor.before_change = self.advance

    def advance(self) -> None:
        """Catch up with the motor to now."""
        now = self._now()
        if now == self._t:
            return
        for t in self._motor.corners(self._t, now):
            self._follow(*self._motor.at(t))
        self._t = now

    def _follow(self, shaft_um: float, speed_um_s: float) -> None:
        step = shaft_um - self._shaft_um
        self._shaft_um = shaft_um
        if not step:
            return
        lost = step if self.stalled else 0.0
        if abs(speed_um_s) > self.record.pull_out_um_s:
            lost = step * (1 - self.record.pull_out_um_s / abs(speed_um_s))
        if self.pending_loss_um and not self.stalled:
            taken = min(abs(step), self.pending_loss_um)
            self.pending_loss_um -= taken
            lost += taken if step > 0 else -taken
        self._slip_um -= lost
        if self.record.backlash_scatter_um and step * self._way <= 0.0:
            play_um = self.record.backlash_um + self.record.backlash_scatter_um * self._play.standard_normal()
            self._half_um, self._way = max(play_um, 0.0) / 2, step
        screw, half = shaft_um + self._slip_um, self._half_um
        self._nut_um = min(max(self._nut_um, screw - half), screw + half)
        low, high = self.record.stops_um
        over = min(max(self._nut_um, low), high) - self._nut_um
        self._shift(over)

    def _shift(self, by_um: float) -> None:
        self._nut_um += by_um
        self._slip_um += by_um
        before, self._place_um = self._place_um, self._steady_um()
        self._lowest_um = min(self._lowest_um, self._place_um)
        self._highest_um = max(self._highest_um, self._place_um)
        self.passes(before, self._place_um)

    def _steady_um(self) -> float:
        nut = self._nut_um
        periodic = self.record.periodic_um * sin(2 * pi * nut / self.record.pitch_um + self._phase)
        return nut * (1 + self._cumulative) * self.growth + periodic

    def um(self) -> float:
        """The true place now, the ring-down after a move included."""
        self.advance()
        since = self._now() - self._motor.rest_t
        ring = 0.0
        if since >= 0 and self._motor.moved_um and not self.stalled:
            size = self.record.ring_down_um * min(1.0, self._motor.moved_um / 50.0)
            ring = size * exp(-since / self.record.ring_down_s) * sin(2 * pi * self.record.ring_down_hz * since)
        return self._steady_um() + ring

    def span_um(self) -> tuple[float, float]:
        """Least and greatest place since the last call: what the reference mark has seen pass."""
        self.advance()
        span = self._lowest_um, self._highest_um
        self._lowest_um = self._highest_um = self._steady_um()
        return span

    def push(self, by_um: float) -> None:
        """A hand pushes the carriage on by `by_um`; the motor does not know."""
        self.advance()
        self._shift(by_um)

    def switch(self) -> bool:
        """The home switch; trips with scatter at each approach and lets go `switch_hysteresis_um` later."""
        place = self.um()
        if self._tripped and place > self._trip_um + self.record.switch_hysteresis_um:
            self._tripped = False
            scatter_um = self.record.switch_scatter_um + self.worn_um
            self._trip_um = self.record.home_switch_um + scatter_um * self._scatter.standard_normal()
        elif not self._tripped and place <= self._trip_um:
            self._tripped = True
        return self._tripped

    def switches_off_um(self) -> float:
        """How far, at the least, the carriage has to go until either switch changes."""
        place = self.um()
        edge = self._trip_um + (self.record.switch_hysteresis_um if self._tripped else 0.0)
        return min(abs(place - edge), abs(self.record.end_switch_um - place)) - 2 * self.record.ring_down_um

    def end_switch(self) -> bool:
        """The switch at the far end."""
        return self.um() >= self.record.end_switch_um
