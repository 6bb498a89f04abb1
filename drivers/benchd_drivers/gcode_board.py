"""The protocol of a G-code controller, spoken once for all devices on its link.

Lines are answered in order by `ok` or `error:N`, some at once, some only when motion has ended; in between come
status reports, alarms and banners. So lines are written without waiting and their answers are matched in order
here, while the real-time byte `?` is an ordinary query that may overtake them. No line is ever sent twice here.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress

from benchd.devices import Identity, Link, LinkTimeout, matching, nothing_at_once, now_s
from benchd_drivers.byte_link import byte_link
from benchd_drivers.finishing import finish
from benchd_drivers.gcode_contact import at_rest_anew, introduced
from benchd_drivers.gcode_errors import LineHeld, LineReset
from benchd_drivers.gcode_hearing import RESTARTS_S, Hearing
from benchd_drivers.gcode_queue import HOME, Sent
from benchd_drivers.gcode_settings import BoardSettings
from benchd_drivers.gcode_status import REPORT, RESET, Report, parse_report
from benchd_drivers.gcode_user import BoardUser
from benchd_drivers.gcode_words import held_words

RESET_S, BANNER_S = 3.0, 0.8
"""A reset on purpose is no boot, but an alarm may delay it."""
ALIVE_S = 0.02
"""Between two looks whether it answers again: one that is known to tell nothing fails at once."""
STATUS_S, STATUS_TRY_S = 0.9, 0.3


class GcodeBoard(Hearing):
    """One controller. Get it by `of(link)`; every device attaches at `open` and detaches at `close`."""

    def __init__(self, link: Link) -> None:
        super().__init__(link)
        self.identity = Identity()
        self.stops = 0  # how often a device on it was stopped: what waited for motion to end happens no more
        self._letters: dict[str, str] = {}
        self.gate = asyncio.Lock()  # held by who writes a line, and by a stop to standstill: nothing slips in behind it
        self._changing = asyncio.Lock()
        self._pump: asyncio.Task[None] | None = None

    @classmethod
    def of(cls, link: Link | None, device: str) -> GcodeBoard:
        """The board of a link. Raises ValueError where the device was given none that carries its lines."""
        return byte_link(link, device).shared(cls, cls)

    # ---- several axes on it

    def take_letter(self, letter: str, device: str) -> None:
        """An axis of this board by its letter. Raises ValueError where another device has that one."""
        if self._letters.setdefault(letter, device) != device:
            raise ValueError(
                f"letter: one that no other axis on link {self.link.name} has; {letter} is that of "
                f"{self._letters[letter]}, and two devices would move one motor"
            )

    @property
    def several(self) -> bool:
        """Whether the bench file has more than one axis on it."""
        return len(self._letters) > 1

    def homing_line(self, letter: str) -> str:
        """What homes this axis, and moves no other: of several each is homed by its letter."""
        return f"{HOME}{letter}" if self.several else HOME

    def at_work_besides(self, user: BoardUser) -> str | None:
        """The name of another device that has asked for motion which is not known to have ended."""
        return next((other.name for other in self._users if other is not user and other.busy), None)

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

    # ---- what goes out

    async def report(self) -> Report:
        """A fresh status report; asked for again where it is damaged or lost, as asking changes nothing.

        Raises LinkTimeout where none can be had in `STATUS_S`, or where it is known to tell nothing, LinkError.
        """
        if why := self.silent_why:
            raise LinkTimeout(why, device=self.link.name)
        deadline = now_s() + STATUS_S
        while True:
            began = now_s()
            try:
                raw = await self.link.query(b"?", matching(REPORT), min(STATUS_TRY_S, max(deadline - began, 0.01)))
            except LinkTimeout:
                if now_s() > deadline - 0.1:
                    raise
                continue
            report = parse_report(raw, (began + now_s()) / 2, self.settings.mm_per_unit)
            self._note(report)
            if report is not None:
                return report
            if now_s() > deadline:
                raise LinkTimeout(f"The controller sends damaged reports only ({raw!r}).", device=self.link.name)

    async def ask_aside(self) -> None:
        """Ask for a report that nobody waits for: listeners hear it, if it comes."""
        await self.link.query(b"?", nothing_at_once(), STATUS_S)

    async def post(self, text: str, guard: Callable[[], None] | None = None) -> Sent:
        """Write one line and return at once; see `Sent`. `guard` is called in front of the bytes and may raise.

        The writing itself is short and a cancellation does not cut it off: half-known lines would put the answers
        out of step.
        """
        if now_s() < self._restarts_by:  # what is written before it has restarted is lost
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
        deadline = now_s() + limit_s
        while not sent.answer.done():
            await asyncio.wait({sent.answer}, timeout=0.25)
            if sent.answer.done():
                break
            if now_s() > deadline:
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
            deadline = now_s() + RESET_S
            while not await self._hears_banner():
                with suppress(LinkTimeout):
                    await self.report()
                    if not self._banner.is_set():
                        self._was_reset()  # it answers, so that only the banner was lost
                    break
                if now_s() > deadline:
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

    def lost_place(self) -> None:
        """A reset that should have kept the position has not: tell everybody."""
        for user in self._users:
            user.on_place_lost("it had to be reset to be let go, and may have lost its place")

    async def _alive(self, deadline: float) -> None:
        while True:
            try:
                await self.report()
                return
            except LinkTimeout:
                if now_s() > deadline:
                    raise
                if self._deaf:  # by an alarm just behind the banner: nothing but a reset is heard
                    self._deaf = False
                    self.link.urgent(RESET)
            await asyncio.sleep(ALIVE_S)

    async def restore(self) -> None:
        """After a reset on purpose, with `gate` free again: let every device bring back its own."""
        for user in list(self._users):
            await user.after_reset()

    async def homed(self) -> None:
        """After homing, which darkens the output of some: the same."""
        for user in list(self._users):
            await user.after_homing()
