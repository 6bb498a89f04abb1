"""What an axis makes of each status of its drive: the edge detector for all that takes trust away."""

from __future__ import annotations

from benchd.devices import Clock
from benchd_drivers.axis_figures import AxisFigures
from benchd_drivers.modbus_drive import Status
from benchd_drivers.setting_off import Activity
from benchd_drivers.trust import Trust

INSPECTION = "an inspection is needed"


class Watch:
    """Knows what the axis was told to do, and so what ought not to happen."""

    def __init__(self, name: str, figures: AxisFigures, starts_s: float, clock: Clock) -> None:
        self.trust = Trust(name, clock)
        self.activity: Activity | None = None
        self.last: Status | None = None
        self._figures, self._starts_s, self._clock = figures, starts_s, clock
        self._rest_at: float | None = None
        self._changed_at = 0.0  # of what was so before it nothing is concluded
        self._jog: tuple[float, float, float] = (0.0, 0.0, 0.0)  # target, velocity, told at

    # ---- what the axis does

    def begins(self, activity: Activity) -> None:
        """Motion is about to be asked for."""
        self._is(activity)

    def jogs(self, target: float, velocity: float) -> None:
        """A jog segment is about to be sent."""
        self._jog = (target, velocity, self._clock.monotonic())
        self.begins("jog")

    def prolongs(self, target: float, velocity: float) -> bool:
        """Whether a new segment can simply follow the one under way: same velocity, further on."""
        end, under_way, _ = self._jog
        return self.activity == "jog" and under_way == velocity and (target - end) * velocity >= 0

    def rests(self) -> None:
        """Motion has ended, one way or another."""
        self._is(None)

    def _is(self, activity: Activity | None) -> None:
        self.activity, self._rest_at, self._changed_at = activity, None, self._clock.monotonic()

    # ---- what the drive tells

    def on_status(self, status: Status) -> None:
        """Look at every status for what nobody said."""
        self.last = status
        if self.activity != "home" and self.trust.homed:
            self._flags(status)
        if self.activity == "jog" and not status.moving:
            there = abs(status.at - self._jog[0]) <= self._figures.tolerance
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
        elif self.trust.homed and self._rest_at is not None:
            was, now, figures = self._rest_at, status.at, self._figures
            if abs(now - was) > figures.tolerance:
                way = f"from {figures.said(was)} to {figures.said(now)} {figures.SYMBOL}"
                self.trust.lose(f"its position went {way} at rest", "reset")
        self._rest_at = None if status.moving else status.at

    def on_lost(self, text: str) -> None:
        """The link is gone."""
        self.last = None
        self.trust.lose(text[:1].lower() + text[1:].rstrip("."), "link")
