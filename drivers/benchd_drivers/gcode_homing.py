"""Homing on a G-code controller: its own cycle, watched from outside and bounded in way and time."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from benchd.devices import Clock, DeviceError, DeviceMismatch, HomeFailed, LinkError, LinkTimeout
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_config import GcodeAnyAxisConfig
from benchd_drivers.gcode_errors import LineAlarm, LineRefused, LineReset, LineUnanswered
from benchd_drivers.gcode_fit import home_fits
from benchd_drivers.gcode_halt import halt
from benchd_drivers.gcode_queue import HOME, Sent
from benchd_drivers.gcode_status import HOLD, Report
from benchd_drivers.gcode_words import INSPECT, NO_HOMING, held_words
from benchd_drivers.homing_way import Way

MARGIN_S = 15.0
"""For pull-offs, slow second approaches and pauses, beside the search itself."""
TOLD_MARGIN_S = 2.0
"""The same where the controller has told its speeds: ramps, and the way of its answer."""
BACK_OFFS, STUCK, DOOR, UNKNOWN = 3, 8, 13, 3
ASK_S = 0.05
"""Many controllers tell nothing while they home, so that a question now and then is enough."""


class Homing:
    """One run of the cycle. `place` turns a report into the axis's place, `go` raises where a stop has come."""

    def __init__(
        self,
        board: GcodeBoard,
        config: GcodeAnyAxisConfig,
        place: Callable[[Report], float | None],
        go: Callable[[], None],
        stop: Callable[[], Awaitable[None]],
        clock: Clock,
    ) -> None:
        self._board, self._config, self._place, self._go, self._stop = board, config, place, go, stop
        self._clock = clock

    async def run(self) -> float:
        """The position at the zero, with the switch let go. Raises HomeFailed, LinkError.

        A carriage that stands deep in its switch at the start is backed off by the controller's pull-off, a few
        times at most. A switch that sticks in the course of homing is not tried again.
        """
        report = await self._ready()
        for left in reversed(range(BACK_OFFS if self._config.letter in report.pins else 1)):
            try:
                await self._cycle()
            except LineAlarm as alarm:
                self._go()
                if alarm.number == STUCK and left:
                    await self._ready()
                    continue
                raise self._because(alarm) from alarm
            except (LineRefused, LineReset, LineUnanswered) as error:
                self._go()
                if isinstance(error, LineRefused) and error.number == NO_HOMING:
                    raise HomeFailed(
                        "Homing is switched off in the controller ($22=0).",
                        advice="Write `$22=1` to it, then home again.",
                        device=self._board.link.name,
                    ) from error
                if isinstance(error, LineRefused) and error.number == DOOR:
                    why, advice = held_words("Door", 1)
                    raise HomeFailed(
                        why, advice=advice, device=self._board.link.name, frames=error.frames, code="interlock"
                    ) from error
                if isinstance(error, LineRefused) and error.number == UNKNOWN and self._board.several:
                    await self._stop()  # some believe that they home from here on, and would refuse all else
                    raise self._homes_all(error) from error
                raise self._because(error) from error
            break
        return await self._zero()

    async def _cycle(self) -> None:
        """One homing cycle of the controller. Raises as `Sent.answer`, HomeFailed beyond way or time."""
        config = self._config
        speed = config.home_speed or config.top_speed / 4
        told = self._board.settings.homing_s(config.home_search, config.per_unit)
        limit_s = 2 * config.home_search / speed + MARGIN_S if told is None else 1.2 * told + TOLD_MARGIN_S
        deadline = self._clock.monotonic() + limit_s
        try:
            sent = await self._board.post(self._board.homing_line(config.letter), self._go)
            await self._followed(sent, deadline)
        except LinkError:
            await self._stop()  # a cycle that cannot be followed is not left to go on
            raise
        sent.answer.result()

    async def _followed(self, sent: Sent, deadline: float) -> None:
        """Return when the controller has answered. Raises HomeFailed beyond way or time, at rest by then."""
        way = Way(self._config.top_speed, self._config.JUMP)
        heard = self._board.last
        while not sent.answer.done():
            await self._board.ask_aside()
            await asyncio.wait({sent.answer}, timeout=ASK_S)
            self._go()
            if self._clock.monotonic() > deadline:
                await self._stop()
                raise self.failed("the home switch was not found in the time it may take")
            report = self._board.last
            if report is None or report is heard or report.state != "Home":
                continue  # some controllers tell nothing while they home; the deadline stands
            heard = report
            if way.goes(self._place(report), report.t_mono) > self._config.home_search:
                await self._stop()
                raise self.failed("the home switch was not found within the search distance")

    async def _ready(self) -> Report:
        """Out of whatever state the controller is in; a lock by an alarm stays, as homing clears it."""
        try:
            report = await self._board.report()
            if report.state in ("Idle", "Alarm"):
                return report
        except LinkTimeout:
            pass  # deaf, as some are after a limit
        self._board.link.urgent(HOLD)
        async with self._board.gate:
            await halt(self._board, jogging=False, rest_s=self._config.rest_s, flush=True)
        await self._board.restore()
        return await self._board.report()

    async def _zero(self) -> float:
        """After 'ok': idle, a position told, and the switch let go. There is no second try."""
        report = await self._board.report()
        for _ in range(30):
            self._go()
            at = self._place(report)
            if report.state == "Idle" and at is not None:
                if self._config.letter in report.pins:
                    raise self.failed("the home switch is still active after homing: it is stuck, or not the one found")
                self._fits(at)
                return at
            await self._clock.sleep(0.05)
            report = await self._board.report()
        raise self.failed(f"the controller is in state {report.state} after homing, or tells no position")

    def _fits(self, at: float) -> None:
        """Whether the way into the travel leads away from the switch, now that the place is known."""
        home = self._board.settings.home_of(self._config.letter)
        try:
            home_fits(self._board.link.name, self._config, at, home[1] if home else None)
        except DeviceMismatch as wrong:
            raise HomeFailed(wrong.text, advice=wrong.advice, device=self._board.link.name) from wrong

    def _homes_all(self, error: LineRefused) -> HomeFailed:
        """Several axes, and a controller that homes all or none: homing one would move what nobody asked for."""
        return HomeFailed(
            f"The controller does not know '{HOME}{self._config.letter}': its build homes all its axes at once, which "
            "would move the others on this link unasked.",
            advice="Build its firmware with homing of single axes (HOMING_SINGLE_AXIS_COMMANDS in the 1.1 series; $I "
            "then tells an H), or leave one axis on this link.",
            device=self._board.link.name,
            frames=error.frames,
        )

    def _because(self, error: DeviceError) -> HomeFailed:
        return self.failed(error.text[:1].lower() + error.text[1:].rstrip("."))

    def failed(self, why: str) -> HomeFailed:
        """HomeFailed with the last frames."""
        frames = self._board.link.recent
        return HomeFailed(f"Homing failed: {why}.", advice=INSPECT, device=self._board.link.name, frames=frames)
