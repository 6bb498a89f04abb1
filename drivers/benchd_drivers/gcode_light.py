"""A dimmable light on the PWM output of a G-code controller, beside an axis or alone.

A controller changes its output only when the motion before it has ended, and keeps the line for so long; while it
homes likewise. So a level is not sent before nothing moves: what was refused to a person, or given up, never happens.
To light up waits for a few seconds, then it is refused; to go dark never is: it is done as soon as it can be.
"""

from __future__ import annotations

import math

from pydantic import BaseModel, ConfigDict, Field

from benchd.devices import Clock, DeviceError, Health, Identity, Light, LightSpec, Link, LinkError
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_errors import LineRefused
from benchd_drivers.gcode_held import held_health
from benchd_drivers.gcode_level import LOCKED
from benchd_drivers.gcode_lighting import SET_S, TAKE_BACK_S, Lighting
from benchd_drivers.gcode_output import Output
from benchd_drivers.gcode_status import Report
from benchd_drivers.gcode_user import BoardUser, Restart
from benchd_drivers.gcode_words import alarm_text

FRESH_S = 0.9
"""A report of a controller that tells nothing now is believed for so long."""


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
        self._lighting = Lighting(name, board, Output(name, config.full), Clock())
        self.answers_within_s = SET_S + TAKE_BACK_S + 0.5
        self.spec = self._spec()

    def _spec(self) -> LightSpec:
        steps = self._lighting.output.steps
        return LightSpec(
            least=1 / steps,
            steps=steps,
            pwm_hz=self._config.pwm_hz,
            laser_class=self._config.laser_class,
            has_failsafe=False,
            safe_level=self._config.safe_level,
        )

    @classmethod
    def create(cls, name: str, config: GcodeLightConfig, link: Link | None) -> GcodeLight:
        return cls(name, config, GcodeBoard.of(link, name))

    async def open(self) -> Identity:
        identity = await self._board.attach(self)
        try:
            self._lighting.begin(Output(self.name, self._config.full, self._board.settings))
            self.spec = self._spec()
            await self._lighting.make_safe(self._config.safe_level)
        except BaseException:
            await self._board.detach(self)
            raise
        self._lighting.trouble = Health("ok")
        return identity

    async def close(self) -> None:
        await self._lighting.end()
        try:
            if self._board.link.connected:
                await self._lighting.make_safe(self._config.safe_level)
        except DeviceError as error:
            self._lighting.trouble = Health("fault", error.code, error.text)
        finally:
            await self._board.detach(self)

    async def health(self) -> Health:
        if not self._board.link.connected:
            return Health("fault", "link", f"{self.name}: link {self._board.link.name} is not connected.")
        if held := held_health(self.name, self._board):
            return held
        return self._lighting.health()

    async def set_level(self, level: float) -> None:
        if not (math.isfinite(level) and 0 <= level <= 1):
            raise ValueError(f"a light's level is 0 to 1, not {level}")
        self._lighting.output.check(level)
        try:
            await (self._lighting.light_up(level) if level > 0 else self._lighting.go_dark())
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

    async def level(self) -> float:
        """As the controller tells it, else as it was last set. One that tells nothing after a limit, or while it
        homes, is dark."""
        if self._board.silent_why:
            told = self._board.last.spindle if self._board.last is not None else None
            return self._lighting.output.level(told) if told is not None and self._board.heard_within(FRESH_S) else 0.0
        report = await self._board.report()
        if report.spindle is not None:
            return self._lighting.output.level(report.spindle)
        if self._lighting.wanted is None:
            raise LinkError(f"{self.name}: the controller does not tell its output level.", device=self.name)
        return self._lighting.wanted

    # ---- what happens to the board

    @property
    def busy(self) -> bool:
        return False

    def on_alarm(self, number: int) -> None:
        """An alarm darkens the output."""
        self._lighting.darkened(f"an alarm has put it out ({alarm_text(number)})")

    def on_reset(self, restart: Restart) -> None:
        """A reset darkens the output; one on purpose is followed by `after_reset`, any other begins inert."""
        if restart != "on_purpose":
            self._lighting.darkened("the controller began anew")

    def on_place_lost(self, why: str) -> None:
        """A light has no place."""

    def on_lost(self, text: str) -> None:
        self._lighting.wanted = None

    def on_report(self, report: Report) -> None:
        """An open door darkens the output, and so does sleep; it stays dark until somebody sets it."""
        if report.state == "Door":
            self._lighting.darkened("the safety door was open")
        elif report.state == "Sleep":
            self._lighting.darkened("the controller slept")

    async def after_reset(self) -> None:
        await self._lighting.bring_back()

    async def after_homing(self) -> None:
        """Homing darkens the output, while the level stays in force: it would come back with the next move, unasked."""
        await self._lighting.bring_back()
