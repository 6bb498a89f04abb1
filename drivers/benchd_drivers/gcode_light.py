"""A dimmable light on the PWM output of a G-code controller, beside an axis or alone.

A controller changes its output only when the motion before it has ended, and keeps the line for so long; while it
homes likewise. So a level is not sent before nothing moves: what was refused to a person, or given up, never happens.
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
WAIT_S = 180.0
"""So long may a move or a homing take that a level waits for."""
ANSWER_S = 2.0
"""At rest a line is answered within milliseconds."""
TAKE_BACK_S = 1.5
LOOK_S = 0.05
UNHEARD_S, FRESH_S = 0.2, 0.9
"""Who moves asks for reports by itself, as a rule; one that nobody asked for so long is asked here."""


class Moving(Exception):
    """Motion began before the level was written; nothing was."""


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
        self._sending = False
        self._trouble = Health("ok")
        self.answers_within_s = WAIT_S + 5.0
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
                await self._put(self._config.safe_level, None)
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
        async with self._turn:
            try:
                await self._set(level)
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

    async def _set(self, level: float) -> None:
        deadline = time.monotonic() + WAIT_S
        while True:
            await self._at_rest(deadline)
            try:
                await self._put(level, self._nothing_moves)
            except Moving:
                continue
            except LineRefused as refusal:
                if refusal.number == LOCKED and (await self._board.report()).state in ("Jog", "Home"):
                    continue  # of somebody else's
                raise
            except BaseException as error:
                if getattr(error, "code", "") != "interlock":  # then what waited in the controller is gone already
                    await finish(self._take_back(), f"take back {self.name}")
                raise
            self._wanted, self._dark, self._trouble = level, "", Health("ok")
            return

    def _nothing_moves(self) -> None:
        if self._board.busy:
            raise Moving

    async def _at_rest(self, deadline: float) -> None:
        """Return once nothing moves, as far as the devices on the board and its last report say."""
        while True:
            if self._board.looked_held:  # to ask anew each time would make every light late
                await unheld(self._board, self.name)
            board = self._board
            if not (board.busy and (board.silent_why or board.heard_within(UNHEARD_S))):
                report = await board.report()
                if not board.busy and report.state not in ("Run", "Jog", "Home"):
                    return
            if time.monotonic() > deadline:
                text = f"{self.name}: the carriage was in motion for {WAIT_S:.0f} s; the level was not set."
                raise DeviceError(text, device=self.name, code="busy")
            await self._clock.sleep(LOOK_S)

    async def _put(self, level: float, guard: Callable[[], None] | None) -> None:
        """Send a level and see it in force; a lost answer is asked for once more, as the same level twice is one."""
        lines = self._output.lines(level)
        self._sending = True
        try:
            await self._send(lines[-1:], guard)
            if not self._shows(await self._board.report(), level):
                # What is in force already is not done again, so that an output which something else has darkened
                # stays dark: off first.
                await self._send(lines, guard)
                report = await self._board.report()
                if not self._shows(report, level):
                    text = f"{self.name}: the output is at {report.spindle:g}, but was set to {lines[-1]}."
                    raise DeviceError(text, device=self.name, frames=self._board.link.recent)
        finally:
            self._sending = False

    def _shows(self, report: Report, level: float) -> bool:
        """Whether the report tells that level, where the controller tells its output at all."""
        return report.spindle is None or abs(report.spindle - self._output.power(level)) <= 0.5

    async def _send(self, lines: list[str], guard: Callable[[], None] | None) -> None:
        for text in lines:
            for last in (False, True):
                try:
                    await self._board.line(text, ANSWER_S if guard else WAIT_S, guard)
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

    async def _take_back(self) -> None:
        """Of a level that was given up, or told as failed, nothing may show later: what was there before."""
        level, self._wanted = self._wanted, None
        try:
            async with asyncio.timeout(TAKE_BACK_S):
                await self._put(level or 0.0, None)
            self._wanted = level or 0.0
        except (DeviceError, TimeoutError) as error:
            why = getattr(error, "text", "it does not answer").rstrip(".")
            self._trouble = Health(
                "degraded", "unknown", f"{self.name}: whether its level was set is not known: {why}."
            )

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
        try:
            await self._put(level, None)
            self._trouble = Health("ok")
        except DeviceError as error:
            self._darkened(f"its level was not brought back ({error.text.rstrip('.')})")
