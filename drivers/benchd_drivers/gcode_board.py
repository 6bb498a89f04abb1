"""The protocol of a G-code controller, spoken once for all devices on its link.

Lines are answered in order by `ok` or `error:N`, some at once, some only when motion has ended; in between come
status reports, alarms and banners. So lines are written without waiting and their answers are matched in order
here, while the real-time byte `?` is an ordinary query that may overtake them. No line is ever sent twice here.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import suppress

from benchd.devices import Identity, Link, LinkError, LinkTimeout, matching, nothing_at_once
from benchd_drivers.finishing import finish
from benchd_drivers.gcode_contact import at_rest_anew, introduced
from benchd_drivers.gcode_errors import LineAlarm, LineHeld, LineRefused, LineReset
from benchd_drivers.gcode_queue import AnswerQueue, Sent
from benchd_drivers.gcode_settings import BoardSettings
from benchd_drivers.gcode_status import (
    ALARM,
    BANNER,
    ECHO,
    ERROR,
    HELD,
    HELD_S,
    REPORT,
    RESET,
    Report,
    parse_report,
)
from benchd_drivers.gcode_user import BoardUser, Restart
from benchd_drivers.gcode_words import (
    HOMING_ALARMS,
    INSPECT,
    SILENT_ALARM,
    SILENT_HOMING,
    alarm_text,
    error_text,
    held_words,
)

RESET_S, BANNER_S = 3.0, 0.8
"""A reset on purpose is no boot, but an alarm may delay it."""
STATUS_S, STATUS_TRY_S = 0.9, 0.3
RESET_IN_MOTION = 3
RESTARTS_S = 2.0
"""After some alarms a controller restarts by itself, half a second later; longer than this it takes not."""


class GcodeBoard:
    """One controller. Get it by `of(link)`; every device attaches at `open` and detaches at `close`."""

    def __init__(self, link: Link) -> None:
        self.link = link
        self.identity = Identity()
        self.settings = BoardSettings()
        self.wco: tuple[float, ...] | None = None
        self._users: list[BoardUser] = []
        self._lines = AnswerQueue()
        self.gate = asyncio.Lock()  # held by who writes a line, and by a stop to standstill: nothing slips in behind it
        self._changing = asyncio.Lock()
        self._pump: asyncio.Task[None] | None = None
        self._banner = asyncio.Event()
        self._restarted = asyncio.Event()
        self._restarts_by = 0.0
        self._expecting = False
        self._deaf = False  # an alarm has made it so, until it is reset
        self._told: list[str] = []
        self.last: Report | None = None
        self._rest_since: float | None = None
        self._held: Report | None = None
        self._held_since = 0.0

    @classmethod
    def of(cls, link: Link | None, device: str) -> GcodeBoard:
        """The board of a link. Raises ValueError where the device was given none."""
        if link is None:
            raise ValueError(f"{device} needs a link")
        return link.shared(cls, cls)

    # ---- coming and going

    async def attach(self, user: BoardUser) -> Identity:
        """Make contact if nobody has. Raises LinkError, LinkTimeout (nothing that speaks this protocol answers)."""
        async with self._changing:
            if self._pump is None or self._pump.done():
                await self._contact(user.name)
            if user not in self._users:
                self._users.append(user)
            return self.identity

    async def _contact(self, device: str) -> None:
        self._lines.forget(LineReset("The link was opened anew."))
        self._forget_state()
        self._told, self.settings = [], BoardSettings()
        self._banner.clear()
        self._expecting = True  # a board that is reset by the opening of its port is no surprise
        self._pump = asyncio.create_task(self._listen(self.link.listen()), name=f"gcode {self.link.name}")
        try:
            await at_rest_anew(self)
            self._expecting = True
            self.identity = await introduced(self)
            self.wco = None  # it may count in other units than was believed till now
        except BaseException:
            await self._end_pump()
            raise
        finally:
            self._expecting = False

    @property
    def told(self) -> Sequence[str]:
        """Banner and bracketed lines, newest last."""
        return self._told

    @property
    def restarted(self) -> bool:
        """Whether its banner was heard since contact was sought, or since it was reset on purpose."""
        return self._banner.is_set()

    async def detach(self, user: BoardUser) -> None:
        """Leave; the last one ends the listening. Never raises."""
        async with self._changing:
            if user in self._users:
                self._users.remove(user)
            if not self._users:
                await self._end_pump()
                self._lines.forget(LineReset("The device was closed."))

    async def _end_pump(self) -> None:
        pump, self._pump = self._pump, None
        if pump is not None:
            pump.cancel()
            await asyncio.wait({pump})

    # ---- what comes in

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
            self._told.append(text)
            self._was_reset()
        elif text.startswith("<"):
            self._note(parse_report(text.encode(), time.monotonic(), self.settings.mm_per_unit))
        elif text.startswith("$"):
            self.settings.take(text)
        elif text.startswith("["):
            self.settings.take(text)
            self._told = [*self._told[-15:], text]

    def _alarmed(self, number: int) -> None:
        text = f"The controller raised an alarm: {alarm_text(number)}."
        self._lines.forget(LineAlarm(number, text, advice=INSPECT, frames=self.link.recent))
        if number in HOMING_ALARMS or number == RESET_IN_MOTION:
            self._restarts_by = time.monotonic() + RESTARTS_S
            self._restarted.clear()
        else:
            self._deaf = True
        for user in self._users:
            user.on_alarm(number)

    def _was_reset(self) -> None:
        restart: Restart = "unasked"
        if self._expecting:
            restart = "on_purpose"
        elif time.monotonic() < self._restarts_by:
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

    # ---- what goes out

    async def report(self) -> Report:
        """A fresh status report; asked for again where it is damaged or lost, as asking changes nothing.

        Raises LinkTimeout where none can be had in `STATUS_S`, or where it is known to tell nothing, LinkError.
        """
        if why := self.silent_why:
            raise LinkTimeout(why, device=self.link.name)
        deadline = time.monotonic() + STATUS_S
        while True:
            began = time.monotonic()
            try:
                raw = await self.link.query(b"?", matching(REPORT), min(STATUS_TRY_S, max(deadline - began, 0.01)))
            except LinkTimeout:
                if time.monotonic() > deadline - 0.1:
                    raise
                continue
            report = parse_report(raw, (began + time.monotonic()) / 2, self.settings.mm_per_unit)
            self._note(report)
            if report is not None:
                return report
            if time.monotonic() > deadline:
                raise LinkTimeout(f"The controller sends damaged reports only ({raw!r}).", device=self.link.name)

    async def ask_aside(self) -> None:
        """Ask for a report that nobody waits for: whoever listens hears it, if it comes."""
        await self.link.query(b"?", nothing_at_once(), STATUS_S)

    @property
    def silent_why(self) -> str:
        """Why it is known to answer nothing now; empty where it should."""
        if self._lines.homing:
            return SILENT_HOMING
        return SILENT_ALARM if self._deaf else ""

    def heard_within(self, seconds: float) -> bool:
        """Whether it told its state so recently."""
        return self.last is not None and time.monotonic() - self.last.t_mono < seconds

    @property
    def busy(self) -> bool:
        """Whether a device on it has asked for motion that may be under way."""
        return any(user.busy for user in self._users)

    async def post(self, text: str, guard: Callable[[], None] | None = None) -> Sent:
        """Write one line and return at once; see `Sent`. `guard` is called in front of the bytes and may raise.

        The writing itself is short and a cancellation does not cut it off: half-known lines would put the answers
        out of step.
        """
        if time.monotonic() < self._restarts_by:  # what is written before it has restarted is lost
            with suppress(TimeoutError):
                async with asyncio.timeout(RESTARTS_S):
                    await self._restarted.wait()
        await self._lines.room.acquire()
        return await finish(self._write(text, guard), f"write {text}")

    async def _write(self, text: str, guard: Callable[[], None] | None) -> Sent:
        sent = Sent(text, asyncio.get_running_loop().create_future())
        sent.give_up()
        try:
            async with self.gate:
                if guard is not None:
                    guard()
                self._lines.add(sent)
                await self.link.query(text.encode("ascii") + b"\n", nothing_at_once(), 2.0)
        except BaseException:
            self._lines.withdraw(sent)
            raise
        return sent

    async def line(self, text: str, limit_s: float, guard: Callable[[], None] | None = None) -> None:
        """Write a line and wait for its answer; `guard` as in `post`.

        Raises LineRefused, LineAlarm, LineReset, LineHeld, LineUnanswered (idle and silent about it), LinkTimeout (not
        answered within `limit_s`, or the controller tells no state), LinkError.
        """
        sent = await self.post(text, guard)
        deadline = time.monotonic() + limit_s
        while not sent.answer.done():
            await asyncio.wait({sent.answer}, timeout=0.25)
            if sent.answer.done():
                break
            if time.monotonic() > deadline:
                raise LinkTimeout(f"'{text}' was not answered in {limit_s:g} s.", device=self.link.name)
            await self.report()
            if self.held is not None and not sent.answer.done():
                why, advice = held_words(self.held.state, self.held.sub)
                raise LineHeld(why, advice=advice, device=self.link.name, code="interlock")
        sent.answer.result()

    def reset_now(self) -> None:
        """Write the reset byte ahead of all else. `reset` has to follow at once, to see what became of it.

        Lines that wait for an answer are given up before: some controllers answer a line that a reset breaks off
        with 'ok'.
        """
        self._lines.forget(LineReset("The controller was reset."))
        self._banner.clear()
        self._expecting, self._deaf = True, False
        self.link.urgent(RESET)

    async def reset(self, *, written: bool = False) -> None:
        """Reset the controller on purpose (its queue is then empty); returns when it answers again.

        `written`: `reset_now` was called. Raises LinkError, LinkTimeout. In motion it costs the position; at
        standstill it keeps it. Hold `gate`. After an alarm a controller may need half a second before its banner,
        or take no reset for so long: it is written again until it shows.
        """
        try:
            if not written:
                self.reset_now()
            deadline = time.monotonic() + RESET_S
            while not await self._hears_banner():
                with suppress(LinkTimeout):
                    await self.report()
                    if not self._banner.is_set():
                        self._was_reset()  # it answers, so that only the banner was lost
                    break
                if time.monotonic() > deadline:
                    break
                self._deaf = False
                self.link.urgent(RESET)
            await self._alive(deadline)
        finally:
            self._expecting = False

    async def _hears_banner(self) -> bool:
        with suppress(TimeoutError):
            async with asyncio.timeout(BANNER_S):
                await self._banner.wait()
        return self._banner.is_set()

    @property
    def looked_held(self) -> bool:
        """Whether its last report said so, if only for the moment that a stop takes."""
        return self._held is not None

    @property
    def held(self) -> Report | None:
        """What it last said, where it waits for a person: behind its door, or held for longer than a stop takes."""
        report = self._held
        if report is None or report.state == "Door" or time.monotonic() - self._held_since > HELD_S:
            return report
        return None

    def lost_place(self) -> None:
        """A reset that should have kept the position has not: tell everybody."""
        for user in self._users:
            user.on_place_lost("it had to be reset to be let go, and may have lost its place")

    @property
    def waiting(self) -> bool:
        """Whether a line is not answered yet."""
        return bool(self._lines)

    async def _alive(self, deadline: float) -> None:
        while True:
            try:
                await self.report()
                return
            except LinkTimeout:
                if time.monotonic() > deadline:
                    raise

    async def restore(self) -> None:
        """After a reset on purpose, with `gate` free again: let every device bring back its own."""
        for user in list(self._users):
            await user.after_reset()

    async def homed(self) -> None:
        """After homing, which darkens the output of some: the same."""
        for user in list(self._users):
            await user.after_homing()
