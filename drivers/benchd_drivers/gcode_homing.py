"""Homing on a G-code controller: its own cycle, watched from outside and bounded in way and time."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from benchd.devices import Clock, DeviceError, HomeFailed, LinkTimeout
from benchd_drivers.gcode_board import HOLD, GcodeBoard
from benchd_drivers.gcode_config import GcodeAxisConfig
from benchd_drivers.gcode_errors import LineAlarm, LineRefused, LineReset, LineUnanswered
from benchd_drivers.gcode_halt import halt
from benchd_drivers.gcode_status import Report
from benchd_drivers.gcode_words import INSPECT, held_words

MARGIN_S = 15.0
"""For pull-offs, slow second approaches and pauses, beside the search itself."""
BACK_OFFS, STUCK, DOOR = 3, 8, 13


class Way:
    """How far a homing cycle has gone. The jump of the number when the zero is set is not motion."""

    def __init__(self, top_speed_um_s: float) -> None:
        self._top = top_speed_um_s
        self._last: tuple[float, float] | None = None
        self._low = self._high = 0.0

    def goes(self, at_um: float | None, t_mono: float) -> float:
        """Take the next position in; the extent of the way so far (um)."""
        if at_um is not None:
            believable_um = 500 + 8 * self._top * (t_mono - self._last[1]) if self._last else -1.0
            if self._last is None or abs(at_um - self._last[0]) > believable_um:
                self._low = self._high = at_um
            self._low, self._high = min(self._low, at_um), max(self._high, at_um)
            self._last = (at_um, t_mono)
        return self._high - self._low


class Homing:
    """One run of the cycle. `place` turns a report into um, `go` raises where a stop has come, `stop` stops."""

    def __init__(
        self,
        board: GcodeBoard,
        config: GcodeAxisConfig,
        place: Callable[[Report], float | None],
        go: Callable[[], None],
        stop: Callable[[], Awaitable[None]],
        clock: Clock,
    ) -> None:
        self._board, self._config, self._place, self._go, self._stop = board, config, place, go, stop
        self._clock = clock

    async def run(self) -> float:
        """The position at the zero, with the switch let go (um). Raises HomeFailed, LinkError.

        A carriage that stands deep in its switch at the start is backed off by the controller's pull-off, a few
        times at most. A switch that sticks in the course of homing is not tried again.
        """
        report = await self._ready()
        for left in reversed(range(BACK_OFFS if self._config.letter in report.pins else 1)):
            try:
                await self._cycle()
            except LineAlarm as alarm:
                if alarm.number == STUCK and left:
                    await self._ready()
                    continue
                raise self._because(alarm) from alarm
            except (LineRefused, LineReset, LineUnanswered) as error:
                if isinstance(error, LineRefused) and error.number == DOOR:
                    why, advice = held_words("Door", 1)
                    raise HomeFailed(
                        why, advice=advice, device=self._board.link.name, frames=error.frames, code="interlock"
                    ) from error
                raise self._because(error) from error
            break
        return await self._zero()

    async def _cycle(self) -> None:
        """One homing cycle of the controller. Raises as `Sent.answer`, HomeFailed beyond way or time."""
        speed = self._config.home_speed_um_s or self._config.top_speed_um_s / 4
        deadline = self._clock.monotonic() + 2 * self._config.home_search_um / speed + MARGIN_S
        sent = await self._board.post("$H", self._go)
        way = Way(self._config.top_speed_um_s)
        while not sent.answer.done():
            await asyncio.wait({sent.answer}, timeout=self._config.poll_ms / 1000)
            self._go()
            if self._clock.monotonic() > deadline:
                await self._stop()
                raise self.failed("the home switch was not found in the time it may take")
            try:
                report = await self._board.report()
            except LinkTimeout:
                continue  # some controllers tell nothing while they home; the deadline stands
            if report.state == "Home" and way.goes(self._place(report), report.t_mono) > self._config.home_search_um:
                await self._stop()
                raise self.failed("the home switch was not found within the search distance")
        sent.answer.result()

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
            at_um = self._place(report)
            if report.state == "Idle" and at_um is not None:
                if self._config.letter in report.pins:
                    raise self.failed("the home switch is still active after homing: it is stuck, or not the one found")
                return at_um
            await self._clock.sleep(0.05)
            report = await self._board.report()
        raise self.failed(f"the controller is in state {report.state} after homing, or tells no position")

    def _because(self, error: DeviceError) -> HomeFailed:
        return self.failed(error.text[:1].lower() + error.text[1:].rstrip("."))

    def failed(self, why: str) -> HomeFailed:
        """HomeFailed with the last frames."""
        frames = self._board.link.recent
        return HomeFailed(f"Homing failed: {why}.", advice=INSPECT, device=self._board.link.name, frames=frames)
