"""What an axis makes of everything its controller says: the edge detector for all that takes trust away."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from benchd.devices import Clock
from benchd_drivers.axis_figures import AxisFigures
from benchd_drivers.gcode_status import Report
from benchd_drivers.gcode_user import BoardUser, Restart
from benchd_drivers.gcode_words import HOMING_ALARMS, LIMIT_ALARMS, alarm_text
from benchd_drivers.setting_off import Activity
from benchd_drivers.trust import Kind, Trust

JOG_STARTS_S = 0.4
FRESH_S = 0.5
"""A report as young as this stands for asking anew: what changes at rest, an alarm or a reset, is told unasked."""


class Watch(BoardUser):
    """Knows what the axis was told to do, and so what ought not to happen. `place` turns a report into its place, in
    its unit; `others_move` tells whether another axis of the controller is at work."""

    def __init__(
        self,
        name: str,
        figures: AxisFigures,
        place: Callable[[Report], float | None],
        others_move: Callable[[BoardUser], str | None],
        clock: Clock,
    ) -> None:
        self.name = name
        self.trust = Trust(name, clock)
        self.activity: Activity | None = None
        self._figures = figures
        self._others_move = others_move
        self._place = place
        self._clock = clock
        self._rest_at: float | None = None
        self._elsewhere: float | None = None
        self._jog: tuple[float, float, float] = (0.0, 0.0, 0.0)  # target, velocity, told at
        self._newest: Report | None = None
        self.heard: tuple[Report, float] | None = None
        """The last report that told the place, and the place."""
        self._next: asyncio.Future[Report] | None = None

    # ---- what the axis does

    def begins(self, activity: Activity) -> None:
        """Motion is about to be asked for."""
        self.activity, self._rest_at = activity, None
        if activity != "move":
            self._newest = None

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
        self.activity, self._rest_at = None, None

    @property
    def busy(self) -> bool:
        return self.activity is not None

    # ---- what was heard last

    def resting(self) -> Report | None:
        """The last report, where it is young, shows the controller idle and tells the place; else None."""
        report = self._newest
        if report is None or report.state != "Idle" or self._place(report) is None:
            return None
        return report if self._clock.monotonic() - report.t_mono < FRESH_S else None

    async def next_report(self, within_s: float) -> Report | None:
        """The next report that anybody gets; None where none comes in time."""
        if self._next is None or self._next.done():
            self._next = asyncio.get_running_loop().create_future()
        done, _ = await asyncio.wait({self._next}, timeout=within_s)
        return done.pop().result() if done else None

    # ---- what the controller says

    def on_alarm(self, number: int) -> None:
        self._newest = None
        if self.activity == "home" and number in HOMING_ALARMS:
            return  # told to the one who homes
        kind: Kind = "limit" if number in LIMIT_ALARMS else "disabled"
        self.trust.lose(f"{alarm_text(number)}; an inspection is needed", "reset" if number == 3 else kind)

    def on_reset(self, restart: Restart) -> None:
        self._newest = None
        if restart == "unasked":
            self.trust.lose("the controller was reset without being told to", "reset")

    def on_place_lost(self, why: str) -> None:
        self._newest = None
        if self.trust.homed:
            self.trust.lose(why, "reset")

    def on_lost(self, text: str) -> None:
        self._newest = None
        self.trust.lose(text[:1].lower() + text[1:].rstrip("."), "link")

    def on_report(self, report: Report) -> None:
        """Look at every report for what nobody said: a lost alarm line, motors off, a place that changed at rest."""
        self._newest = report
        if self._next is not None and not self._next.done():
            self._next.set_result(report)
        if report.state in ("Alarm", "Sleep") and self.trust.homed:
            self.trust.lose(f"the controller is in state {report.state}", "disabled")
        at = self._place(report)
        if at is not None:
            self.heard = report, at
        if self.activity == "jog" and report.state == "Idle" and at is not None:
            there = abs(at - self._jog[0]) <= self._figures.tolerance
            if there or report.t_mono - self._jog[2] > JOG_STARTS_S:
                self.rests()
        elif self.activity == "jog" and report.at_rest:
            self.rests()  # a door or an alarm has ended it, and nothing of it goes on
        if self.activity is not None or (report.state != "Idle" and not self._others_move(self)):
            self._rest_at = self._elsewhere = None
        elif self._rest_at is None or at is None:
            self._rest_at = at if at is not None else self._rest_at
        elif abs(at - self._rest_at) <= self._figures.tolerance:
            self._elsewhere = None
        elif self._elsewhere is None or abs(at - self._elsewhere) > self._figures.tolerance:
            self._elsewhere = at  # one damaged digit is no proof; the next report tells
        elif self.trust.homed:
            was, self._rest_at, self._elsewhere = self._rest_at, at, None
            said, symbol = self._figures.said, self._figures.SYMBOL
            self.trust.lose(f"its position went from {said(was)} to {said(at)} {symbol} at rest", "reset")

    async def after_reset(self) -> None:
        """A reset at standstill takes nothing from an axis."""

    async def after_homing(self) -> None:
        """It is what homed."""
