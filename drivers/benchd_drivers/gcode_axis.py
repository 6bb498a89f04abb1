"""An axis on a G-code controller: absolute moves, bounded jogs, homing, and a stop that is sure."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator
from contextlib import suppress
from typing import ClassVar, Self

from benchd.devices import (
    Axis,
    Clock,
    DeviceError,
    DeviceMismatch,
    Health,
    HomeFailed,
    Identity,
    Link,
    LinkTimeout,
    MotionFailed,
    Reading,
    Surprise,
)
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_config import GcodeAnyAxisConfig, GcodeAxisConfig, GcodeRotaryConfig
from benchd_drivers.gcode_fit import fits, unwise
from benchd_drivers.gcode_held import held_health, unheld
from benchd_drivers.gcode_homing import Homing
from benchd_drivers.gcode_motion import Motion
from benchd_drivers.gcode_status import Report
from benchd_drivers.setting_off import SettingOff

HEARD_S = 0.05
"""What a report may take on the wire."""
RESET_S = 10.0
"""Beyond coming to rest: a controller that answers nothing is reset in the end, and asked again."""


class GcodeAxis(Axis):
    """See `benchd.devices.Axis` for the contracts."""

    Config: ClassVar[type[GcodeAnyAxisConfig]] = GcodeAxisConfig

    def __init__(self, name: str, config: GcodeAnyAxisConfig, board: GcodeBoard) -> None:
        self.name = name
        self.spec = config.spec()
        self.rests_within_s = config.rest_s + RESET_S
        self._config = config
        self._board = board
        self._clock = Clock()
        self._motion = Motion(name, config, board, self._clock)
        self._stopping = self._motion.stopping
        self._watch = self._motion.watch
        self._trust = self._watch.trust
        self._setting_off = SettingOff(config, self._watch, self._stopping, self._motion.failed)

    @classmethod
    def create(cls, name: str, config: GcodeAnyAxisConfig, link: Link | None) -> Self:
        board = GcodeBoard.of(link, name)
        board.take_letter(config.letter, name)
        return cls(name, config, board)

    # ---- coming and going

    async def open(self) -> Identity:
        self._trust.renounce("not homed since it was connected")
        identity = await self._board.attach(self._watch)
        try:
            self._want(identity)
            fits(self.name, self._config, self._board.settings, by_letter=self._board.several)
            if not (await self._board.report()).at_rest and not self._board.busy:
                await self.stop()  # left over from another life of the daemon
        except BaseException:
            await self._board.detach(self._watch)
            raise
        return identity

    def _want(self, said: Identity) -> None:
        expected = self._config.identity
        if expected is not None and expected not in (said.serial, said.model):
            raise DeviceMismatch(
                f"{self.name} should be on '{expected}', but link {self._board.link.name} leads to "
                f"'{said.serial or said.model or 'a controller that does not say who it is'}'.",
                advice="Check which cable is in which port.",
                device=self.name,
            )

    async def close(self) -> None:
        try:
            if self._board.link.connected and (self._watch.busy or await self._runs_on()):
                await self.stop()
        except DeviceError as error:
            self._trust.lose(f"it could not be asked at close ({error.text.rstrip('.')})", "link")
        finally:
            await self._stopping.ended()
            await self._board.detach(self._watch)
            self._trust.renounce("closed")
            self._trust.end()

    async def _runs_on(self) -> bool:
        """Whether the controller moves although no device on it has asked for that."""
        return not self._board.busy and not (await self._board.report()).at_rest

    async def health(self) -> Health:
        if not self._board.link.connected:
            return Health("fault", "link", f"{self.name}: link {self._board.link.name} is not connected.")
        health = held_health(self.name, self._board) or self._trust.health()
        if health.state == "ok" and (found := unwise(self._config.letter, self._board.settings)):
            return Health("degraded", "settings", f"{self.name}: {found}")
        return health

    @property
    def homed(self) -> bool:
        return self._trust.homed and self._board.link.connected

    def surprises(self) -> AsyncIterator[Surprise]:
        return self._trust.surprises()

    # ---- motion

    async def read(self) -> Reading:
        if self._board.silent_why and self._watch.heard is not None:  # nobody can know better than what it told last
            report, at = self._watch.heard
            return Reading(at, self.spec.unit, report.t_mono, self._clock.utc(), "suspect")
        report, at = await self._heard() or await self._motion.located()
        return Reading(at, self.spec.unit, report.t_mono, self._clock.utc(), "good" if self.homed else "suspect")

    async def _heard(self) -> tuple[Report, float] | None:
        """In a move, which asks for reports by itself: its next one, as a second asker would only make it late."""
        if self._watch.activity != "move":
            return None
        report = await self._watch.next_report(2 * self._config.poll_ms / 1000 + HEARD_S)
        at = None if report is None else self._motion.place(report)
        return None if report is None or at is None else (report, at)

    async def move_to(self, target: float, speed: float) -> float:
        stops = self._stopping.count
        self._setting_off.check_move(target, speed)
        await self._motion.hear_of_others()
        self._motion.alone()
        with self._setting_off.busy("move"):
            return await self._stopping.or_stop(self._motion.move(target, min(speed, self.spec.top_speed), stops))

    async def jog(self, speed: float, distance: float) -> None:
        stops = self._stopping.count
        self._setting_off.check_jog(speed, distance)
        await self._motion.hear_of_others()
        self._setting_off.free_to_jog()
        await self._stopping.or_stop(
            self._motion.jog(math.copysign(min(speed, self.spec.top_speed), distance), distance, stops)
        )

    async def stop(self) -> None:
        await self._stopping.stop()

    async def home(self) -> None:
        stops = self._stopping.count
        await self._motion.hear_of_others()
        self._motion.alone()  # before anything is let go by a reset
        with suppress(LinkTimeout):  # deaf after a limit: homing resets it
            await unheld(self._board, self.name)
        self._motion.alone()
        with self._setting_off.busy("home"):
            self._trust.renounce("homing is not finished")
            try:
                await self._stopping.or_stop(self._home(stops))
            except HomeFailed as error:
                self._trust.renounce(error.text[:1].lower() + error.text[1:].rstrip("."))
                raise

    async def _home(self, stops: int) -> None:
        cycle = Homing(
            self._board,
            self._config,
            self._motion.place,
            lambda: self._motion.go(stops),
            self._stopping.at_any_rate,
            self._clock,
        )
        try:
            await cycle.run()
        except MotionFailed as stopped:
            raise cycle.failed("it was broken off by a stop") from stopped
        self._trust.gain()
        await self._board.homed()


class GcodeRotary(GcodeAxis):
    """What is turned by a motor of such a controller: a ring of the lens, a table. In degrees."""

    Config = GcodeRotaryConfig
