"""A dimmable light on the PWM output of a G-code controller, beside an axis or alone.

A controller changes its output only when the motion before it has ended, and keeps the line for so long; while it
homes likewise. So a level is not sent before nothing moves: what was refused to a person, or given up, never happens.
To light up waits for a few seconds, then it is refused; to go dark never is: it is done as soon as it can be.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable

from pydantic import BaseModel, ConfigDict, Field

from benchd.devices import Clock, DeviceError, Health, Identity, Light, LightSpec, Link, LinkError
from benchd_drivers.finishing import finish
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_errors import LineHeld, LineRefused, LineReset, LineUnanswered
from benchd_drivers.gcode_held import empty, held_health, unheld
from benchd_drivers.gcode_output import Output
from benchd_drivers.gcode_status import Report
from benchd_drivers.gcode_user import BoardUser, Restart
from benchd_drivers.gcode_words import alarm_text

LOCKED = 9
WAIT_S, SET_S, TAKE_BACK_S = 5.0, 7.0, 1.5
"""So long a level waits for the motion to end, may take altogether, and to be taken back: who asked is answered before
it gives up (`BenchClient`, 10 s), so that nothing told as failed comes later."""
ANSWER_S = 2.0
"""At rest a line is answered within milliseconds."""
BEHIND_S = 180.0
"""So long a motion may keep back what is sent behind it."""
AGAIN_S = 1.0
LOOK_S = 0.05
UNHEARD_S, FRESH_S = 0.2, 0.9
"""Who moves asks for reports by itself, as a rule; one that nobody asked for so long is asked here."""


class Moving(Exception):
    """Motion began before the line was written, or another level is wanted by now; it was not."""


class GcodeLightConfig(BaseModel):
    """`full` is the S value of full light, the controller's own greatest ($30) unless stated; `safe_level` is set at
    open and at close."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    full: int | None = Field(default=None, ge=1, le=100_000)
    safe_level: float = Field(default=0.0, ge=0, le=1)
    pwm_hz: float | None = Field(default=None, gt=0)
    laser_class: str | None = Field(default=None, pattern=r"^(1|1M|2|2M|3R|3B|4)$")


class GcodeLight(Light, BoardUser):
    """See `benchd.devices.Light`. Setting a level is harmless to repeat, so a lost answer is asked for once more."""

    Config = GcodeLightConfig

    def __init__(self, name: str, config: GcodeLightConfig, board: GcodeBoard) -> None:
        self.name = name
        self._config = config
        self._board = board
        self._clock = Clock()
        self._output = Output(name, config.full)
        self._wanted: float | None = None  # the level that is to be in force, None where nobody knows
        self._dark = ""  # why the light is dark, though nobody asked for that
        self._turn = asyncio.Lock()
        self._darkening: asyncio.Task[None] | None = None
        self._promised = False  # who asked for dark was told that it will be
        self._darkened_times = 0
        self._sending = False
        self._trouble = Health("ok")
        self.answers_within_s = SET_S + TAKE_BACK_S + 0.5
        self.spec = self._spec()

    def _spec(self) -> LightSpec:
        steps = self._output.steps
        return LightSpec(
            least=1 / steps,
            steps=steps,
            pwm_hz=self._config.pwm_hz,
            laser_class=self._config.laser_class,
            has_failsafe=False,
        )

    @classmethod
    def create(cls, name: str, config: GcodeLightConfig, link: Link | None) -> GcodeLight:
        return cls(name, config, GcodeBoard.of(link, name))

    async def open(self) -> Identity:
        identity = await self._board.attach(self)
        self._wanted, self._dark = None, ""
        try:
            self._output = Output(self.name, self._config.full, self._board.settings)
            self.spec = self._spec()
            await self._make_safe()
        except BaseException:
            await self._board.detach(self)
            raise
        self._trouble = Health("ok")
        return identity

    async def close(self) -> None:
        if self._darkening is not None:
            self._darkening.cancel()
            await asyncio.wait({self._darkening})
            self._darkening = None
        try:
            if self._board.link.connected:
                await self._make_safe()
        except DeviceError as error:
            self._trouble = Health("fault", error.code, error.text)
        finally:
            await self._board.detach(self)

    async def _make_safe(self) -> None:
        """The safe level, behind whatever moves; a controller locked by an alarm takes no level, but a reset darkens
        its output."""
        async with self._turn:
            try:
                await self._put(self._config.safe_level, None, BEHIND_S)
                self._wanted = self._config.safe_level
            except LineRefused as refusal:
                if refusal.number != LOCKED:
                    raise
                async with self._board.gate:
                    if (await self._board.report()).at_rest:
                        await self._board.reset()
                self._wanted = 0.0

    async def health(self) -> Health:
        if not self._board.link.connected:
            return Health("fault", "link", f"{self.name}: link {self._board.link.name} is not connected.")
        if held := held_health(self.name, self._board):
            return held
        if self._dark:
            return Health("degraded", "dark", f"{self.name} is dark: {self._dark}. Set it anew.")
        return self._trouble

    async def set_level(self, level: float) -> None:
        if not (math.isfinite(level) and 0 <= level <= 1):
            raise ValueError(f"a light's level is 0 to 1, not {level}")
        self._output.check(level)
        try:
            await (self._light_up(level) if level > 0 else self._go_dark())
        except LineRefused as refusal:
            if refusal.number != LOCKED:
                raise
            text = f"{self.name}: the controller is locked until it is homed, and sets no light before."
            raise DeviceError(
                text,
                advice="Home the carriage first; that unlocks it.",
                device=self.name,
                frames=refusal.frames,
                code="not_homed",
            ) from refusal

    async def _light_up(self, level: float) -> None:
        began, stops, darkened = time.monotonic(), self._board.stops, self._darkened_times
        written = False

        def wanted() -> None:
            if self._board.stops != stops:
                raise self._dropped("a stop came first")
            if self._darkened_times != darkened:
                raise self._dropped("it was to go dark meanwhile")

        def ahead() -> None:
            nonlocal written
            wanted()
            self._nothing_moves()
            written = True

        try:
            async with asyncio.timeout(WAIT_S):
                await self._turn.acquire()
        except TimeoutError:
            raise self._dropped(f"it had not done what was asked of it before in {WAIT_S:g} s") from None
        try:
            async with asyncio.timeout(began + SET_S - time.monotonic()):
                await self._put_at_rest(level, ahead, wanted, began + WAIT_S)
        except BaseException as error:
            if written and getattr(error, "code", "") != "interlock":  # then what waited in it is gone already
                await finish(self._take_back(level), f"take back {self.name}")
            if isinstance(error, TimeoutError):
                raise self._dropped(f"the controller did not show it within {SET_S:g} s") from error
            raise
        else:
            self._wanted, self._dark, self._trouble = level, "", Health("ok")
            if self._darkening is not None and self._darkened_times == darkened:
                self._darkening.cancel()  # promised before, and tried in vain till now
        finally:
            self._turn.release()

    async def _go_dark(self) -> None:
        """Whatever waits to be lit is dropped. In a motion that lasts it is a promise, which the health tells."""
        self._darkened_times += 1
        self._wanted = 0.0  # nothing brings it back
        if self._darkening is None or self._darkening.done():
            self._promised = False
            self._darkening = asyncio.create_task(self._dark_soon(), name=f"dark {self.name}")
        task = self._darkening
        await asyncio.wait({task}, timeout=WAIT_S)
        if task.cancelled():
            return
        if task.done():
            task.result()
            return
        self._promised = True
        if self._trouble.state == "ok":
            text = f"{self.name} goes dark as soon as the carriage stands."
            self._trouble = Health("degraded", "busy", text)

    async def _dark_soon(self) -> None:
        while True:
            try:
                async with self._turn:
                    await self._dark_now()
                return
            except DeviceError:
                if not self._promised:
                    raise
            await self._clock.sleep(AGAIN_S)

    async def _dark_now(self) -> None:
        try:
            await self._put_at_rest(0.0, self._nothing_moves, lambda: None, math.inf)
        except DeviceError as error:
            self._wanted = 0.0
            if error.code != "interlock":
                await self._take_back(0.0)
            raise
        self._wanted, self._dark, self._trouble = 0.0, "", Health("ok")

    async def _put_at_rest(
        self, level: float, ahead: Callable[[], None], wanted: Callable[[], None], deadline: float
    ) -> None:
        while True:
            await self._at_rest(wanted, deadline)
            try:
                await self._put(level, ahead, ANSWER_S)
                return
            except Moving:
                continue
            except LineRefused as refusal:
                if refusal.number == LOCKED and (await self._board.report()).state in ("Jog", "Home"):
                    continue  # of somebody else's
                raise

    def _nothing_moves(self) -> None:
        if self._board.busy:
            raise Moving

    def _dropped(self, why: str) -> DeviceError:
        return DeviceError(
            f"{self.name}: the level was not set, and will not be: {why}.",
            advice="Set it anew when the carriage stands.",
            device=self.name,
            code="busy",
        )

    async def _at_rest(self, wanted: Callable[[], None], deadline: float) -> None:
        """Return once nothing moves, as far as the devices on the board and its last report say; `wanted` may raise."""
        while True:
            wanted()
            if self._board.looked_held:  # to ask anew each time would make every light late
                await unheld(self._board, self.name)
            board = self._board
            if not (board.busy and (board.silent_why or board.heard_within(UNHEARD_S))):
                report = await board.report()
                if not board.busy and report.state not in ("Run", "Jog", "Home"):
                    return
            if time.monotonic() > deadline:
                raise self._dropped(f"the carriage has been in motion for {WAIT_S:g} s")
            await self._clock.sleep(LOOK_S)

    async def _put(self, level: float, guard: Callable[[], None] | None, answer_s: float) -> None:
        """Send a level and see it in force; a lost answer is asked for once more, as the same level twice is one."""
        lines = self._output.lines(level)
        self._sending = True
        try:
            await self._send(lines[-1:], guard, answer_s)
            if not self._shows(await self._board.report(), level):
                # What is in force already is not done again, so that an output which something else has darkened
                # stays dark: off first.
                await self._send(lines, guard, answer_s)
                report = await self._board.report()
                if not self._shows(report, level):
                    text = f"{self.name}: the output is at {report.spindle:g}, but was set to {lines[-1]}."
                    raise DeviceError(text, device=self.name, frames=self._board.link.recent)
        finally:
            self._sending = False

    def _shows(self, report: Report, level: float) -> bool:
        """Whether the report tells that level, where the controller tells its output at all."""
        return report.spindle is None or abs(report.spindle - self._output.power(level)) <= 0.5

    async def _send(self, lines: list[str], guard: Callable[[], None] | None, answer_s: float) -> None:
        for text in lines:
            for last in (False, True):
                try:
                    await self._board.line(text, answer_s, guard)
                    break
                except LineHeld as held:
                    await empty(self._board)
                    raise DeviceError(
                        f"{self.name}: {held.text}", advice=held.advice, device=self.name, code="interlock"
                    ) from held
                except (LineReset, LineUnanswered):
                    if last:
                        raise
                await self._clock.sleep(LOOK_S)

    async def _take_back(self, asked: float) -> None:
        """Of a level that was given up, or told as failed, nothing may show later: what was there before, or dark where
        that was brighter."""
        before, self._wanted = self._wanted or 0.0, 0.0
        level = before if before <= asked else 0.0
        try:
            async with asyncio.timeout(TAKE_BACK_S):
                await self._put(level, None, BEHIND_S)
            self._wanted = level
            if before > level:
                self._dark = "another level was asked for, and could not be set"
        except (DeviceError, TimeoutError) as error:
            why = getattr(error, "text", "it does not answer").rstrip(".")
            what = "whether its level was set" if level else "whether it is dark"
            self._trouble = Health("degraded", "unknown", f"{self.name}: {what} is not known: {why}.")

    async def level(self) -> float:
        """As the controller tells it, else as it was last set. One that tells nothing after a limit, or while it
        homes, is dark."""
        if self._board.silent_why:
            told = self._board.last.spindle if self._board.last is not None else None
            return self._output.level(told) if told is not None and self._board.heard_within(FRESH_S) else 0.0
        report = await self._board.report()
        if report.spindle is not None:
            return self._output.level(report.spindle)
        if self._wanted is None:
            raise LinkError(f"{self.name}: the controller does not tell its output level.", device=self.name)
        return self._wanted

    # ---- what happens to the board

    @property
    def busy(self) -> bool:
        return False

    def on_alarm(self, number: int) -> None:
        """An alarm darkens the output."""
        self._darkened(f"an alarm has put it out ({alarm_text(number)})")

    def on_reset(self, restart: Restart) -> None:
        """A reset darkens the output; one on purpose is followed by `after_reset`, any other begins inert."""
        if restart != "on_purpose":
            self._darkened("the controller began anew")

    def on_place_lost(self, why: str) -> None:
        """A light has no place."""

    def on_lost(self, text: str) -> None:
        self._wanted = None

    def on_report(self, report: Report) -> None:
        """An open door darkens the output, and so does sleep; it stays dark until somebody sets it."""
        if report.state == "Door":
            self._darkened("the safety door was open")
        elif report.state == "Sleep":
            self._darkened("the controller slept")

    def _darkened(self, why: str) -> None:
        if self._wanted:
            self._dark = why
        self._wanted = 0.0

    async def after_reset(self) -> None:
        await self._bring_back()

    async def after_homing(self) -> None:
        """Homing darkens the output, while the level stays in force: it would come back with the next move, unasked."""
        await self._bring_back()

    async def _bring_back(self) -> None:
        if not self._wanted or self._sending:
            return
        level = self._wanted

        def still_wanted() -> None:
            if self._wanted != level:
                raise Moving

        try:
            await self._put(level, still_wanted, BEHIND_S)
            self._trouble = Health("ok")
        except Moving:
            return
        except DeviceError as error:
            self._darkened(f"its level was not brought back ({error.text.rstrip('.')})")
