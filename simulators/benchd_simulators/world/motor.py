"""A stepper and its trapezoid profile, in world time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import copysign, sqrt


@dataclass(frozen=True, slots=True)
class Piece:
    """Constant acceleration from `t0` for `duration_s`; the speed does not change sign inside a piece."""

    t0: float
    duration_s: float
    position_um: float
    speed_um_s: float
    acceleration_um_s2: float

    def at(self, t: float) -> tuple[float, float]:
        """Position (um) and speed (um/s) at `t`, held at the piece's ends."""
        dt = min(max(t - self.t0, 0.0), self.duration_s)
        speed = self.speed_um_s + self.acceleration_um_s2 * dt
        return self.position_um + (self.speed_um_s + speed) / 2 * dt, speed


def plan(t0: float, start_um: float, v0: float, target_um: float, *, top_um_s: float, a: float) -> list[Piece]:
    """Pieces from `start_um` at speed `v0` to rest at `target_um`; overshoots and comes back where it cannot stop."""
    pieces: list[Piece] = []

    def add(duration: float, acceleration: float) -> None:
        nonlocal t0, start_um, v0
        if duration > 1e-12:
            pieces.append(Piece(t0, duration, start_um, v0, acceleration))
            start_um, v0 = start_um + v0 * duration + acceleration * duration**2 / 2, v0 + acceleration * duration
            t0 += duration

    stop_um = start_um + v0 * abs(v0) / (2 * a)
    way = copysign(1.0, target_um - stop_um)
    if v0 and (v0 * way < 0 or abs(target_um - stop_um) < 1e-9):
        add(abs(v0) / a, -copysign(a, v0))
        v0 = 0.0
    if abs(v0) > top_um_s:
        add((abs(v0) - top_um_s) / a, -copysign(a, v0))
    distance = abs(target_um - start_um)
    if distance < 1e-9 and abs(v0) < 1e-9:
        return pieces
    peak = max(min(top_um_s, sqrt(max(a * distance + v0**2 / 2, 0.0))), abs(v0))
    add((peak - abs(v0)) / a, way * a)
    add((abs(target_um - start_um) - peak**2 / (2 * a)) / peak, 0.0)
    add(abs(v0) / a, -way * a)
    return pieces


class Motor:
    """The stepper as its controller counts it; it knows nothing of where the carriage really is.

    `now` tells world time in seconds; `before_change` is called ahead of every change of the profile, so that what
    follows the motor can catch up while the old profile still stands.
    """

    def __init__(self, acceleration_um_s2: float, now: Callable[[], float]) -> None:
        self.acceleration_um_s2 = acceleration_um_s2
        self.before_change: Callable[[], None] = lambda: None
        self._now = now
        self._pieces: list[Piece] = []
        self._rest_um = 0.0
        self._goal: tuple[float, float] | None = None
        self.offset_um = 0.0

    def at(self, t: float) -> tuple[float, float]:
        """Shaft position (um since power-up, untouched by `zero`) and speed at world time `t`."""
        for piece in self._pieces:
            if t < piece.t0 + piece.duration_s:
                return piece.at(t)
        return self._rest_um, 0.0

    def corners(self, t0: float, t1: float) -> list[float]:
        """World times after `t0` and up to `t1` between which the shaft never reverses; the last is `t1`."""
        ends = [piece.t0 + piece.duration_s for piece in self._pieces]
        return [*(end for end in ends if t0 < end < t1), t1]

    @property
    def rest_t(self) -> float:
        """World time at which the profile under way ends (0 before the first move)."""
        return self._pieces[-1].t0 + self._pieces[-1].duration_s if self._pieces else 0.0

    @property
    def moved_um(self) -> float:
        """Distance of the profile under way or last done."""
        return abs(self._rest_um - self._pieces[0].position_um) if self._pieces else 0.0

    @property
    def position_um(self) -> float:
        return self.at(self._now())[0] - self.offset_um

    @property
    def speed_um_s(self) -> float:
        """Signed speed now."""
        return self.at(self._now())[1]

    @property
    def moving(self) -> bool:
        return self._now() < self.rest_t

    @property
    def rests_in_s(self) -> float:
        """World time until it stands, 0 at rest."""
        return max(0.0, self.rest_t - self._now())

    def _set(self, pieces: list[Piece], here_um: float) -> None:
        self._pieces = pieces
        last = pieces[-1] if pieces else None
        self._rest_um = last.at(last.t0 + last.duration_s)[0] if last else here_um

    def start(self, target_um: float, speed_um_s: float) -> None:
        """Go to `target_um` (the controller's coordinate) at no more than `speed_um_s`; replaces what is under way."""
        if speed_um_s <= 0:
            raise ValueError("speed_um_s must be above 0")
        self.before_change()
        t = self._now()
        here, v = self.at(t)
        self._goal = (target_um + self.offset_um, speed_um_s)
        self._set(plan(t, here, v, self._goal[0], top_um_s=speed_um_s, a=self.acceleration_um_s2), here)

    def hold(self) -> None:
        """Slow down to rest and remember the target."""
        self.before_change()
        t = self._now()
        here, v = self.at(t)
        pieces = (
            [Piece(t, abs(v) / self.acceleration_um_s2, here, v, -copysign(self.acceleration_um_s2, v))] if v else []
        )
        self._set(pieces, here)

    def resume(self) -> None:
        """Go on to the remembered target, if there is one."""
        if self._goal is not None:
            self.start(self._goal[0] - self.offset_um, self._goal[1])

    def cancel(self) -> None:
        """Slow down to rest and forget the target."""
        self.hold()
        self._goal = None

    def abort(self) -> None:
        """Pulses cease at once, as when the controller is reset; at speed the carriage runs on by inertia."""
        self.before_change()
        here, _ = self.at(self._now())
        self._goal = None
        self._set([], here)

    def zero(self) -> None:
        """Call the place where the shaft now stands 0."""
        self.before_change()
        self.offset_um = self.at(self._now())[0]
