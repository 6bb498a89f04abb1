"""A dimmable light on the PWM output of a G-code controller, beside an axis or alone."""

from __future__ import annotations

import asyncio
import math
import time

from pydantic import BaseModel, ConfigDict, Field

from benchd.devices import Clock, DeviceError, Health, Identity, Light, LightSpec, Link, LinkError
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_errors import LineHeld, LineRefused, LineReset, LineUnanswered
from benchd_drivers.gcode_held import empty, held_health, unheld
from benchd_drivers.gcode_status import Report
from benchd_drivers.gcode_user import BoardUser

LOCKED = 9
WAIT_S = 180.0
"""Controllers change the output only when the motion before it has ended; so long may a move or a homing take."""


class GcodeLightConfig(BaseModel):
    """`full` is the S value of full light; `safe_level` is set at open and at close."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    full: int = Field(default=1000, ge=1, le=100_000)
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
        self._wanted: int | None = None  # S value that this daemon set, None before the first
        self._turn = asyncio.Lock()
        self._trouble = Health("ok")
        self.answers_within_s = WAIT_S + 5.0
        self.spec = LightSpec(
            least=1 / config.full,
            steps=config.full,
            pwm_hz=config.pwm_hz,
            laser_class=config.laser_class,
            has_failsafe=False,
        )

    @classmethod
    def create(cls, name: str, config: GcodeLightConfig, link: Link | None) -> GcodeLight:
        return cls(name, config, GcodeBoard.of(link, name))

    async def open(self) -> Identity:
        identity = await self._board.attach(self)
        try:
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
        """The safe level; a controller locked by an alarm takes no level, but a reset darkens its output."""
        try:
            await self._set(self._config.safe_level)
        except LineRefused as refusal:
            if refusal.number != LOCKED:
                raise
            async with self._board.gate:
                if (await self._board.report()).at_rest:
                    await self._board.reset()
            self._wanted = 0

    async def health(self) -> Health:
        if not self._board.link.connected:
            return Health("fault", "link", f"{self.name}: link {self._board.link.name} is not connected.")
        return held_health(self.name, self._board) or self._trouble

    async def set_level(self, level: float) -> None:
        if not (math.isfinite(level) and 0 <= level <= 1):
            raise ValueError(f"a light's level is 0 to 1, not {level}")
        try:
            await self._set(level)
        except LineRefused as refusal:
            if refusal.number != LOCKED:
                raise
            text = f"{self.name}: the controller is locked until it is homed, and sets no light before."
            advice = "Home the carriage first; that unlocks it."
            raise DeviceError(
                text, advice=advice, device=self.name, frames=refusal.frames, code="not_homed"
            ) from refusal

    async def _set(self, level: float) -> None:
        async with self._turn:
            power = round(level * self._config.full)
            await self._send(power)
            await self._read_back(power)
            self._wanted = power

    async def _send(self, power: int) -> None:
        text = f"M3 S{power}" if power else "M5"
        deadline = time.monotonic() + WAIT_S
        repeats = 0
        while True:
            if self._board.looked_held:  # to ask anew each time would make every light late
                await unheld(self._board, self.name)
            try:
                await self._board.line(text, WAIT_S)
                return
            except LineHeld as held:
                await empty(self._board)
                raise DeviceError(
                    f"{self.name}: {held.text}", advice=held.advice, device=self.name, code="interlock"
                ) from held
            except LineRefused as refusal:
                if refusal.number != LOCKED or (await self._board.report()).state not in ("Jog", "Home"):
                    raise
                if time.monotonic() > deadline:  # refused during a jog only; taken after it
                    raise
            except (LineReset, LineUnanswered):
                repeats += 1
                if repeats > 1:
                    raise
            await self._clock.sleep(0.05)

    async def _read_back(self, power: int) -> None:
        """A level altered on the wire is seen in the report, where the controller tells its output."""
        report = await self._board.report()
        if report.spindle is None or abs(report.spindle - power) <= 0.5:
            return
        await self._send(power)
        report = await self._board.report()
        if report.spindle is not None and abs(report.spindle - power) > 0.5:
            text = f"{self.name}: the output is at {report.spindle:g} of {self._config.full}, but was set to {power}."
            raise DeviceError(text, device=self.name, frames=self._board.link.recent)

    async def level(self) -> float:
        """As the controller tells it, else as it was last set."""
        report = await self._board.report()
        power = report.spindle if report.spindle is not None else self._wanted
        if power is None:
            raise LinkError(f"{self.name}: the controller does not tell its output level.", device=self.name)
        return min(1.0, power / self._config.full)

    # ---- what happens to the board

    def on_alarm(self, number: int) -> None:
        """An alarm says nothing of the light."""

    def on_reset(self, expected: bool) -> None:
        """A reset darkens the output; one on purpose is followed by `after_reset`, any other begins inert."""
        if not expected:
            self._wanted = 0

    def on_place_lost(self, why: str) -> None:
        """A light has no place."""

    def on_lost(self, text: str) -> None:
        self._wanted = None

    def on_report(self, report: Report) -> None:
        """An open door darkens the output, and it stays dark until somebody sets it."""
        if report.state == "Door":
            self._wanted = 0

    async def after_reset(self) -> None:
        if self._wanted and not self._turn.locked():
            try:
                await self.set_level(self._wanted / self._config.full)
            except DeviceError as error:
                self._trouble = Health("degraded", error.code, f"The level was not brought back: {error.text}")
