"""What a G-code controller says, unasked or not, and what it lets conclude of its state; told to every device on it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence

from benchd.devices import Link, LinkError, now_s
from benchd_drivers.gcode_errors import LineAlarm, LineRefused, LineReset
from benchd_drivers.gcode_queue import AnswerQueue
from benchd_drivers.gcode_settings import BoardSettings
from benchd_drivers.gcode_status import ALARM, BANNER, ECHO, ERROR, HELD, HELD_S, Report, parse_report
from benchd_drivers.gcode_user import BoardUser, Restart
from benchd_drivers.gcode_words import (
    HOMING_ALARMS,
    INSPECT,
    SILENT_ALARM,
    SILENT_HOMING,
    alarm_text,
    error_text,
)

RESET_IN_MOTION = 3
RESTARTS_S = 2.0
"""After some alarms a controller restarts by itself, half a second later; longer than this it takes not."""


class Hearing:
    """The listening half of `GcodeBoard`: every line goes through `_take`, every report through `_note`."""

    def __init__(self, link: Link) -> None:
        self.link = link
        self.settings = BoardSettings()
        self.wco: tuple[float, ...] | None = None
        self.last: Report | None = None
        self._users: list[BoardUser] = []
        self._lines = AnswerQueue()
        self._banner = asyncio.Event()
        self._restarted = asyncio.Event()
        self._restarts_by = 0.0
        self._expecting = False  # a restart that is no surprise
        self._deaf = False  # an alarm has made it so, until it is reset
        self._told: list[str] = []
        self._rest_since: float | None = None
        self._held: Report | None = None
        self._held_since = 0.0

    async def _listen(self, lines: AsyncIterator[bytes]) -> None:
        async for raw in lines:
            self._take(raw.decode("ascii", "replace").strip())
        text = f"The controller on link {self.link.name} is gone."
        self._lines.forget(LinkError(text, device=self.link.name, frames=self.link.recent))
        for user in self._users:
            user.on_lost(text)

    def _take(self, text: str) -> None:
        text = text.lstrip(ECHO)
        if text == "ok":
            self._lines.answered(None)
        elif found := ERROR.match(text):
            number = int(found[1])
            text = f"The controller refused '{self._lines.oldest}': {error_text(number)}."
            self._lines.answered(LineRefused(number, text, frames=self.link.recent))
        elif found := ALARM.match(text):
            self._alarmed(int(found[1]))
        elif BANNER.match(text):
            self._keep(text)
            self._was_reset()
        elif text.startswith("<"):
            self._note(parse_report(text.encode(), now_s(), self.settings.mm_per_unit))
        elif text.startswith("$"):
            self.settings.take(text)
        elif text.startswith("["):
            self.settings.take(text)
            self._keep(text)

    def _keep(self, text: str) -> None:
        self._told = [*self._told[-15:], text]

    def _alarmed(self, number: int) -> None:
        text = f"The controller raised an alarm: {alarm_text(number)}."
        self._lines.forget(LineAlarm(number, text, advice=INSPECT, frames=self.link.recent))
        if number in HOMING_ALARMS or number == RESET_IN_MOTION:
            self._restarts_by = now_s() + RESTARTS_S
            self._restarted.clear()
        else:
            self._deaf = True
        for user in self._users:
            user.on_alarm(number)

    def _was_reset(self) -> None:
        restart: Restart = "unasked"
        if self._expecting:
            restart = "on_purpose"
        elif now_s() < self._restarts_by:
            restart = "after_alarm"
        self._restarts_by = 0.0
        self._forget_state()
        self._lines.forget(LineReset("The controller was reset."))
        self._banner.set()
        self._restarted.set()
        for user in self._users:
            user.on_reset(restart)

    def _forget_state(self) -> None:
        self.wco, self._rest_since, self._held, self._deaf, self.last = None, None, None, False, None

    def _note(self, report: Report | None) -> None:
        if report is None:
            return
        self.wco = report.wco or self.wco
        self.last, self._deaf = report, False
        if report.state not in HELD:
            self._held = None
        else:
            self._held_since = self._held_since if self._held else report.t_mono
            self._held = report
        if report.state in ("Idle", "Alarm"):
            self._rest_since = self._rest_since or report.t_mono
            self._lines.drop_unanswered(self._rest_since, report.t_mono)
        else:
            self._rest_since = None
        for user in self._users:
            user.on_report(report)

    # ---- what is known

    @property
    def told(self) -> Sequence[str]:
        """Banner and bracketed lines, newest last."""
        return self._told

    @property
    def restarted(self) -> bool:
        """Whether its banner was heard since contact was sought, or since it was reset on purpose."""
        return self._banner.is_set()

    @property
    def silent_why(self) -> str:
        """Why it is known to answer nothing now; empty where it should."""
        if self._lines.homing:
            return SILENT_HOMING
        return SILENT_ALARM if self._deaf else ""

    def heard_within(self, seconds: float) -> bool:
        """Whether it told its state so recently."""
        return self.last is not None and now_s() - self.last.t_mono < seconds

    @property
    def busy(self) -> bool:
        """Whether a device on it has asked for motion that may be under way."""
        return any(user.busy for user in self._users)

    @property
    def looked_held(self) -> bool:
        """Whether its last report said so, if only for the moment that a stop takes."""
        return self._held is not None

    @property
    def held(self) -> Report | None:
        """What it last said, where it waits for a person: behind its door, or held for longer than a stop takes."""
        report = self._held
        if report is None or report.state == "Door" or now_s() - self._held_since > HELD_S:
            return report
        return None

    @property
    def waiting(self) -> bool:
        """Whether a line is not answered yet."""
        return bool(self._lines)
