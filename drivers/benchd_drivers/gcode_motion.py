"""Moves and jogs of one axis on a G-code controller.

A move is done when the controller says that it is idle *and* where it was sent; its 'ok' means nothing but
that the line was read. Nothing that moves is ever sent twice, and only absolute targets are sent.
"""

from __future__ import annotations

import asyncio
import math
from contextlib import suppress
from typing import Any

from benchd.devices import Clock, DeviceError, LinkTimeout, MotionFailed, done_within
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_config import GcodeAnyAxisConfig
from benchd_drivers.gcode_errors import LineAlarm, LineRefused, LineReset, LineUnanswered
from benchd_drivers.gcode_halt import halt
from benchd_drivers.gcode_held import unheld
from benchd_drivers.gcode_queue import Sent
from benchd_drivers.gcode_status import HELD, JOG_CANCEL, LETTERS, Report
from benchd_drivers.gcode_stopping import Stopping
from benchd_drivers.gcode_watch import Watch
from benchd_drivers.gcode_words import CHECKING, INSPECT, LET_GO

SILENT_S = 1.0
"""A controller that tells no state for so long while it moves is taken for lost."""
NOT_STARTED_S = 0.4
"""A controller may be idle for a moment between reading a line and moving."""
TINY_S = 0.05
"""Of a move too short for its end to be told from its start: how long the controller must be idle after its 'ok'."""
MARGIN_S = 3.0
ACCEPTED_S = 0.05
"""A line is answered within milliseconds where its move begins at once."""
OK_BYTES = len(b"ok\r\n")
ASKING_S = 0.0003
"""How long a question is on its way to the controller."""
ANSWERED_S = 0.05
"""No answer that was not lost takes longer than this."""
LATE_S, AGAIN_S = 0.1, 0.0005
"""For so long after its time a move is asked about again and again, with this pause; then as before its time."""


class Motion:
    """What `GcodeAxis` moves by. `watch` knows what is under way, and whether the position can be believed."""

    def __init__(self, name: str, config: GcodeAnyAxisConfig, board: GcodeBoard, clock: Clock) -> None:
        self.name = name
        self.watch = Watch(name, config, self.place, board.at_work_besides, clock)
        self._config = config
        self._board = board
        self._clock = clock
        self._index = LETTERS.index(config.letter)
        self.stopping = Stopping.of(board)
        self.stopping.join(self.watch, config.rest_s)
        self._sent_to: float | None = None

    # ---- position

    def place(self, report: Report) -> float | None:
        """Where a report says the axis is, None where it does not say."""
        position = report.machine(self._board.wco)
        if position is None or len(position) <= self._index:
            return None
        return self._config.place_of(position[self._index])

    async def located(self) -> tuple[Report, float]:
        """A report with a position. The offset that makes one of a work position comes in some reports only."""
        for _ in range(40):
            report = await self._board.report()
            at = self.place(report)
            if at is not None:
                return report, at
        raise self.failed(f"the controller tells no position for {self._config.letter}", advice="Check `letter`.")

    # ---- moves

    async def move(self, target: float, speed: float, stops: int) -> float:
        """One absolute move, followed to its end; since when it stands (monotonic). Raises MotionFailed, LinkError.

        `stops`, here and below, is how many there were when it was asked for: a later one ends it.
        """
        report, at = self._resting() or await self._unheld()
        self._want_idle(report)
        way = abs(target - at)
        limit_s = 1.2 * (way / speed + speed / self._config.acceleration) + MARGIN_S
        text = f"G53 G21 G90 G1 {self._words(target, speed)}"
        try:
            sent = await self._board.post(text, lambda: self.go(stops))
            return await self._to_its_end(sent, text, target, speed, at, limit_s, stops)
        except DeviceError:
            if self.stopping.count == stops:  # else somebody has stopped it already
                await self.stopping.at_any_rate()  # nothing of this move may happen later, whatever went wrong
            raise

    async def _to_its_end(
        self, sent: Sent, text: str, target: float, speed: float, at: float, limit_s: float, stops: int
    ) -> float:
        """Follow a move that was sent from `at`; since when it stands. It may still move after an error."""
        way, symbol, said = abs(target - at), self._config.SYMBOL, self._config.said
        posted = self._clock.monotonic()
        deadline = posted + limit_s
        await done_within(sent.answer, ACCEPTED_S)
        # It began when the line was there, before the 'ok' was here: each took its bytes' share of the time between.
        begun = posted + (self._clock.monotonic() - posted) * len(text) / (len(text) + OK_BYTES)
        # Steps are whole: the way may be half a step longer than told.
        longest = abs(target - self._origin(at)) + 0.5 * self._config.resolution
        ends = begun + travel_s(longest, speed, self._config.acceleration)
        self._sent_to = target
        moved = way > self._config.tolerance  # then being there shows that it moved
        idle_since: float | None = None
        elsewhere: float | None = None  # where it was idle by the last report; one damaged digit is no proof
        while True:
            await self._clock.until(self._next_look(ends - ASKING_S))
            asked = self._clock.monotonic()
            report, at = await self._followed(sent, stops)
            moved = moved or report.state == "Run"
            idle_since = (idle_since or report.t_mono) if report.state == "Idle" else None
            idle_s = report.t_mono - idle_since if idle_since is not None else -1.0
            there = abs(at - target) <= self._config.tolerance
            if there and idle_s >= (0.0 if moved else TINY_S if sent.answer.done() else NOT_STARTED_S):
                # The report tells of when it was asked for; a late one answers a second question, after one was lost.
                asked = max(asked, report.t_mono - ANSWERED_S)
                return min(max(ends, asked), self._clock.monotonic())
            why, code, advice = "", "device_fault", ""
            if report.state == "Door":
                why, code = "the controller's safety door was opened in the move (state Door)", "interlock"
                advice = "Close it, then send the carriage again."
            elif report.state == "Hold":
                why = f"the controller holds (state {report.state}), though nobody told it to"
            elif idle_s > NOT_STARTED_S and not there and self._same(at, elsewhere):
                why = f"the controller is idle at {said(at)} {symbol}, but was sent to {said(target)} {symbol}"
            elif self._clock.monotonic() > deadline:
                why, code = (
                    f"the move to {said(target)} {symbol} was not done after {limit_s:.1f} s",
                    "timeout",
                )
            if why:
                raise self.failed(why, code=code, advice=advice)
            elsewhere = at if report.state == "Idle" and not there else None

    def _same(self, at: float, before: float | None) -> bool:
        return before is not None and abs(at - before) <= self._config.tolerance

    def _origin(self, told: float) -> float:
        """Where a move begins: a report is rounded, while the place that the axis was sent to last is not."""
        if self._sent_to is not None and abs(self._sent_to - told) <= self._config.tolerance:
            return self._sent_to
        return told

    def _resting(self) -> tuple[Report, float] | None:
        """Where the axis stands, if that was told a moment ago."""
        report = self.watch.resting()
        at = None if report is None else self.place(report)
        return None if report is None or at is None else (report, at)

    async def _unheld(self) -> tuple[Report, float]:
        """Where the axis stands, on a controller that hears lines. Raises DeviceError (`interlock`), as `located`."""
        report, at = await self.located()
        if report.state not in HELD:
            return report, at
        await unheld(self._board, self.name)
        return await self.located()

    def _next_look(self, ends: float) -> float:
        """When to ask next about a move that should end at `ends` (both monotonic): now and then on its way, and just
        as it ends, with no other question in the way."""
        now, pause = self._clock.monotonic(), self._config.poll_ms / 1000
        if now < ends:
            return ends if ends - now < 2 * pause else now + pause
        return now + (AGAIN_S if now - ends < LATE_S else pause)

    async def _followed(self, sent: Sent, stops: int) -> tuple[Report, float]:
        """The next report of a move under way. Raises MotionFailed, LinkError, LinkTimeout where there is none."""
        heard = self._clock.monotonic()
        while True:
            self.go(stops)
            if sent.answer.done():
                self._answered(sent)
            try:
                return await self.located()
            except LinkTimeout:
                self.go(stops)
                if self._clock.monotonic() - heard > SILENT_S:
                    self.watch.trust.lose("the controller went silent in a move", "link")
                    raise

    def _answered(self, sent: Sent) -> None:
        """Nothing for ok, nor for an ok that was lost (the state tells); raises MotionFailed for all else."""
        try:
            sent.answer.result()
        except LineUnanswered:
            return
        except (LineRefused, LineAlarm, LineReset) as error:
            advice = INSPECT if isinstance(error, LineAlarm) else error.advice
            raise self.failed(error.text[:1].lower() + error.text[1:].rstrip("."), advice=advice) from error

    async def jog(self, velocity: float, distance: float, stops: int) -> None:
        """One segment, clipped to the travel, after or instead of the one under way. Raises MotionFailed, LinkError."""
        self.alone()
        report, at = await self._unheld()
        target = min(max(at + distance, self._config.travel[0]), self._config.travel[1])
        if (target - at) * distance <= 0:
            raise self.failed("a soft limit is reached", code="limit", advice="Jog the other way.")
        if report.state != "Jog":
            self._want_idle(report)
        elif not self.watch.prolongs(target, velocity):
            self._board.link.urgent(JOG_CANCEL)
            async with self._board.gate:
                await halt(self._board, jogging=True, rest_s=self._config.rest_s)
        self.go(stops)
        self.alone()  # another may have begun meanwhile
        self.watch.jogs(target, velocity)
        sent = await self._board.post(f"$J=G53 G21 G90 {self._words(target, abs(velocity))}", lambda: self.go(stops))
        await asyncio.wait({sent.answer}, timeout=0.5)
        if sent.answer.done():
            self._answered(sent)

    # ---- small helps

    async def hear_of_others(self) -> None:
        """The end of another axis's jog is known by a report alone."""
        if self._board.at_work_besides(self.watch):
            with suppress(LinkTimeout):
                await self._board.report()

    def alone(self) -> None:
        """Raises MotionFailed where another axis of the controller is at work: they share its one queue, in which this
        motion would wait for that one's end, and begin when nobody asks for it any more."""
        if other := self._board.at_work_besides(self.watch):
            raise self.failed(
                f"{other} is at work, on the same controller, whose axes move one at a time",
                code="busy",
                advice=f"Wait until {other} is at rest, or stop it.",
            )

    def _want_idle(self, report: Report) -> None:
        if report.state == "Alarm":
            raise self.failed("the controller is locked by an alarm", advice="Home the axis.")
        if report.state == "Check":
            raise self.failed(CHECKING[:1].lower() + CHECKING[1:].rstrip("."), advice=LET_GO)
        if report.state != "Idle":
            raise self.failed(f"the controller is not idle (state {report.state})", code="busy", advice="Stop it.")

    def go(self, stops: int) -> None:
        """Raises MotionFailed where a stop or a surprise has come since `stops`."""
        if self.stopping.count != stops:
            raise self.failed("broken off by a stop")
        if self.watch.activity != "home" and not self.watch.trust.homed:
            raise self.failed(f"broken off: {self.watch.trust.why}", advice=INSPECT)

    def _words(self, target: float, speed: float) -> str:
        feed = max(speed * 60 / self._config.per_unit, 0.01)
        return f"{self._config.letter}{self._config.number_of(target) + 0.0:.4f} F{feed:.2f}"

    def failed(self, text: str, *, code: str = "device_fault", advice: str = "") -> MotionFailed:
        """MotionFailed with the last frames; `text` without its full stop."""
        frames = self._board.link.recent
        full: dict[str, Any] = {"code": code, "advice": advice, "device": self.name, "frames": frames}
        return MotionFailed(f"{self.name}: {text}.", **full)


def travel_s(way: float, speed: float, acceleration: float) -> float:
    """How long a move from rest to rest takes: two ramps, and top speed in between where it is reached."""
    if way < speed**2 / acceleration:
        return 2.0 * math.sqrt(way / acceleration)
    return way / speed + speed / acceleration
