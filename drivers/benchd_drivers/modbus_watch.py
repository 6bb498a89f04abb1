"""What an axis makes of each status of its drive: the edge detector for all that takes trust away."""

from __future__ import annotations

from typing import Literal

from benchd.devices import Clock
from benchd_drivers.modbus_drive import Status
from benchd_drivers.trust import Trust

Activity = Literal["home", "move", "jog"]
INSPECTION = "an inspection is needed"


class Watch:
    """Knows what the axis was told to do, and so what ought not to happen."""

    def __init__(self, name: str, tolerance_um: float, starts_s: float, clock: Clock) -> None:
        self.trust = Trust(name, clock)
        self.activity: Activity | None = None
        self.last: Status | None = None
        self._tolerance_um, self._starts_s, self._clock = tolerance_um, starts_s, clock
        self._rest_um: float | None = None
        self._changed_at = 0.0  # of what was so before it nothing is concluded
        self._jog: tuple[float, float, float] = (0.0, 0.0, 0.0)  # target, velocity, told at

    # ---- what the axis does

    def begins(self, activity: Activity) -> None:
        """Motion is about to be asked for."""
        self._is(activity)

    def jogs(self, target_um: float, velocity_um_s: float) -> None:
        """A jog segment is about to be sent."""
        self._jog = (target_um, velocity_um_s, self._clock.monotonic())
        self.begins("jog")

    def prolongs(self, target_um: float, velocity_um_s: float) -> bool:
        """Whether a new segment can simply follow the one under way: same velocity, further on."""
        end_um, velocity, _ = self._jog
        return self.activity == "jog" and velocity == velocity_um_s and (target_um - end_um) * velocity >= 0

    def rests(self) -> None:
        """Motion has ended, one way or another."""
        self._is(None)

    def _is(self, activity: Activity | None) -> None:
        self.activity, self._rest_um, self._changed_at = activity, None, self._clock.monotonic()

    # ---- what the drive tells

    def on_status(self, status: Status) -> None:
        """Look at every status for what nobody said."""
        self.last = status
        if self.activity != "home" and self.trust.homed:
            self._flags(status)
        if self.activity == "jog" and not status.moving:
            there = abs(status.at_um - self._jog[0]) <= self._tolerance_um
            if there or status.t_mono - self._jog[2] > self._starts_s:
                self.rests()
        if self.activity is None and status.t_mono > self._changed_at:
            self._at_rest(status)

    def _flags(self, status: Status) -> None:
        if status.limit:
            self.trust.lose(f"a limit switch is active; {INSPECTION}", "limit")
        elif status.fault:
            self.trust.lose(f"the drive reports a fault; {INSPECTION}", "disabled")
        elif not status.homed:
            self.trust.lose("the drive is homed no more: it was switched off, or has lost its place", "reset")

    def _at_rest(self, status: Status) -> None:
        """Nothing was asked for: it neither moves nor stands elsewhere than before."""
        if self.trust.homed and status.moving:
            self.trust.lose("the drive moves, and nobody asked for that", "reset")
        elif self.trust.homed and self._rest_um is not None and abs(status.at_um - self._rest_um) > self._tolerance_um:
            was, now = self._rest_um, status.at_um
            self.trust.lose(f"its position went from {was:.1f} to {now:.1f} µm at rest", "reset")
        self._rest_um = None if status.moving else status.at_um

    def on_lost(self, text: str) -> None:
        """The link is gone."""
        self.last = None
        self.trust.lose(text[:1].lower() + text[1:].rstrip("."), "link")
