"""An axis on a G-code controller: absolute moves in micrometres, bounded jogs, homing, and a stop that is sure.

A move is done when the controller says that it is idle *and* where it was sent; its 'ok' means nothing but
that the line was read. Nothing that moves is ever sent twice, and only absolute targets are sent.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Coroutine, Iterator
from contextlib import contextmanager
from typing import Any

from benchd.devices import (
    Axis,
    Clock,
    DeviceError,
    DeviceMismatch,
    Health,
    Identity,
    Link,
    LinkTimeout,
    MotionFailed,
    Reading,
    Surprise,
)
from benchd_drivers.finishing import finish
from benchd_drivers.gcode_board import HOLD, JOG_CANCEL, GcodeBoard, Sent
from benchd_drivers.gcode_config import GcodeAxisConfig
from benchd_drivers.gcode_errors import LineAlarm, LineRefused, LineReset, LineUnanswered
from benchd_drivers.gcode_halt import halt
from benchd_drivers.gcode_homing import Homing
from benchd_drivers.gcode_status import LETTERS, Report
from benchd_drivers.gcode_watch import Activity, Watch
from benchd_drivers.gcode_words import INSPECT

SILENT_S = 0.5
"""A controller that tells no state for so long while it moves is taken for lost."""
NOT_STARTED_S = 0.4
"""A controller may be idle for a moment between reading a line and moving."""
MARGIN_S = 3.0


class GcodeAxis(Axis):
    """See `benchd.devices.Axis` for the contracts."""

    Config = GcodeAxisConfig

    def __init__(self, name: str, config: GcodeAxisConfig, board: GcodeBoard) -> None:
        self.name = name
        self.spec = config.spec()
        self._config = config
        self._board = board
        self._clock = Clock()
        self._index = LETTERS.index(config.letter)
        self._watch = Watch(name, config.tolerance_um, self._place, self._clock)
        self._trust = self._watch.trust
        self._stops = 0
        self._stopping: asyncio.Task[None] | None = None

    @classmethod
    def create(cls, name: str, config: GcodeAxisConfig, link: Link | None) -> GcodeAxis:
        return cls(name, config, GcodeBoard.of(link, name))

    # ---- coming and going

    async def open(self) -> Identity:
        self._trust.renounce("not homed since it was connected")
        identity = await self._board.attach(self._watch)
        try:
            self._want(identity)
            if not (await self._board.report()).at_rest:
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
            if self._board.link.connected and not (await self._board.report()).at_rest:
                await self.stop()
        except DeviceError as error:
            self._trust.lose(f"it could not be asked at close ({error.text.rstrip('.')})", "link")
        finally:
            if self._stopping is not None:
                await asyncio.wait({self._stopping})
            await self._board.detach(self._watch)
            self._trust.renounce("closed")
            self._trust.end()

    async def health(self) -> Health:
        if not self._board.link.connected:
            return Health("fault", "link", f"{self.name}: link {self._board.link.name} is not connected.")
        return self._trust.health()

    @property
    def homed(self) -> bool:
        return self._trust.homed and self._board.link.connected

    def surprises(self) -> AsyncIterator[Surprise]:
        return self._trust.surprises()

    # ---- position

    def _place(self, report: Report) -> float | None:
        position = report.machine(self._board.wco)
        if position is None or len(position) <= self._index:
            return None
        return position[self._index] * self._config.um

    async def _located(self) -> tuple[Report, float]:
        """A report with a position. The offset that makes one of a work position comes in some reports only."""
        for _ in range(40):
            report = await self._board.report()
            at_um = self._place(report)
            if at_um is not None:
                return report, at_um
        raise self._failed(f"the controller tells no position for {self._config.letter}", advice="Check `letter`.")

    async def read(self) -> Reading:
        report, at_um = await self._located()
        return Reading(at_um, "um", report.t_mono, self._clock.utc(), "good" if self.homed else "suspect")

    # ---- motion

    async def move_to(self, target: float, speed: float) -> None:
        self._check(target, speed)
        with self._busy("move"):
            await self._or_stop(self._move(target, min(speed, self.spec.top_speed)))

    async def _move(self, target: float, speed: float) -> None:
        stops = self._stops
        report, at_um = await self._located()
        self._want_idle(report)
        limit_s = 1.2 * (abs(target - at_um) / speed + speed / self.spec.acceleration) + MARGIN_S
        sent = await self._board.post(f"G53 G21 G90 G1 {self._words(target, speed)}", lambda: self._go(stops))
        deadline = self._clock.monotonic() + limit_s
        idle_since: float | None = None
        while True:
            report, at_um = await self._followed(sent, stops)
            if report.state == "Idle" and abs(at_um - target) <= self._config.tolerance_um:
                return
            idle_since = (idle_since or report.t_mono) if report.state == "Idle" else None
            why, code = "", "device_fault"
            if report.state in ("Hold", "Door"):
                why = f"the controller holds (state {report.state}), though nobody told it to"
            elif idle_since is not None and report.t_mono - idle_since > NOT_STARTED_S:
                why = f"the controller is idle at {at_um:.1f} um, but was sent to {target:.1f} um"
            elif self._clock.monotonic() > deadline:
                why, code = f"the move to {target:.1f} um was not done after {limit_s:.1f} s", "timeout"
            if why:
                await self._try_stop()  # nothing of this move may happen later
                raise self._failed(why, code=code)
            await self._clock.sleep(self._config.poll_ms / 1000)

    async def _followed(self, sent: Sent, stops: int) -> tuple[Report, float]:
        """The next report of a move under way. Raises MotionFailed, LinkError, LinkTimeout where there is none."""
        heard = self._clock.monotonic()
        while True:
            self._go(stops)
            if sent.answer.done():
                self._answered(sent)
            try:
                return await self._located()
            except LinkTimeout:
                self._go(stops)
                if self._clock.monotonic() - heard > SILENT_S:
                    self._trust.lose("the controller went silent in a move", "link")
                    await self._try_stop()
                    raise

    def _answered(self, sent: Sent) -> None:
        """Nothing for ok, nor for an ok that was lost (the state tells); raises MotionFailed for all else."""
        try:
            sent.answer.result()
        except LineUnanswered:
            return
        except (LineRefused, LineAlarm, LineReset) as error:
            advice = INSPECT if isinstance(error, LineAlarm) else error.advice
            raise self._failed(error.text[:1].lower() + error.text[1:].rstrip("."), advice=advice) from error

    async def jog(self, speed: float, distance: float) -> None:
        if not (math.isfinite(distance) and distance):
            raise ValueError("a jog needs a finite distance other than 0")
        self._check(self.spec.low, speed)
        if self._watch.activity in ("home", "move") or self._stopping is not None:
            raise self._failed("the axis is busy", code="busy")
        await self._or_stop(self._jog(math.copysign(min(speed, self.spec.top_speed), distance), distance))

    async def _jog(self, velocity: float, distance: float) -> None:
        stops = self._stops
        report, at_um = await self._located()
        target = min(max(at_um + distance, self.spec.low), self.spec.high)
        if (target - at_um) * distance <= 0:
            raise self._failed("a soft limit is reached", code="limit", advice="Jog the other way.")
        if report.state != "Jog":
            self._want_idle(report)
        elif not self._watch.prolongs(target, velocity):
            self._board.link.urgent(JOG_CANCEL)
            async with self._board.gate:
                await halt(self._board, jogging=True, rest_s=self._config.rest_s)
        self._watch.jogs(target, velocity)
        sent = await self._board.post(f"$J=G53 G21 G90 {self._words(target, abs(velocity))}", lambda: self._go(stops))
        await asyncio.wait({sent.answer}, timeout=0.5)
        if sent.answer.done():
            self._answered(sent)

    # ---- stop

    async def stop(self) -> None:
        self._stops += 1
        activity = self._watch.activity
        if activity == "home":
            self._board.reset_now()  # a homing cycle hears nothing else
        else:
            self._board.link.urgent(JOG_CANCEL + HOLD if activity == "jog" else HOLD)
        if self._stopping is None or self._stopping.done():
            self._stopping = asyncio.create_task(self._to_rest(activity), name=f"stop {self.name}")
            self._stopping.add_done_callback(self._stopped)
        await finish(_joined(self._stopping), f"await stop {self.name}")

    def _stopped(self, task: asyncio.Task[None]) -> None:
        if self._stopping is task:
            self._stopping = None
        if not task.cancelled():
            task.exception()

    async def _to_rest(self, activity: Activity | None) -> None:
        try:
            while True:
                stops = self._stops
                async with self._board.gate:
                    if activity == "home":
                        await self._board.reset(written=True)
                    kept = await halt(self._board, jogging=activity == "jog", rest_s=self._config.rest_s)
                if not kept and self.homed:
                    self._trust.lose("it had to be reset to be stopped, and may have lost its place", "reset")
                self._watch.rests()
                await self._board.restore()
                if stops == self._stops:  # else a later stop byte may have come after standstill, and hold it
                    return
        except DeviceError as error:
            self._trust.lose(f"it could not be stopped for sure ({error.text.rstrip('.')})", "link")
            raise

    async def _try_stop(self) -> None:
        try:
            await self.stop()
        except DeviceError as error:
            self._trust.lose(f"it could not be stopped for sure ({error.text.rstrip('.')})", "link")

    async def _or_stop(self, motion: Coroutine[Any, Any, None]) -> None:
        """Await motion. Whatever ends it early leaves only after the axis is at rest, as far as that can be had."""
        try:
            await motion
        except asyncio.CancelledError:
            await finish(self._try_stop(), f"stop {self.name}")
            raise
        except DeviceError:
            if self._stopping is not None:
                await asyncio.wait({self._stopping})
            raise

    # ---- homing

    async def home(self) -> None:
        with self._busy("home"):
            self._trust.renounce("homing is not finished")
            await self._or_stop(self._home())

    async def _home(self) -> None:
        stops = self._stops
        cycle = Homing(self._board, self._config, self._place, lambda: self._go(stops), self._try_stop, self._clock)
        try:
            await cycle.run()
        except MotionFailed as stopped:
            raise cycle.failed("it was broken off by a stop") from stopped
        self._trust.gain()

    # ---- small helps

    @contextmanager
    def _busy(self, activity: Activity) -> Iterator[None]:
        if self._watch.activity is not None or self._stopping is not None:
            raise self._failed(f"the axis is busy ({self._watch.activity or 'stopping'})", code="busy")
        self._watch.begins(activity)
        try:
            yield
        finally:
            self._watch.rests()

    def _check(self, target: float, speed: float) -> None:
        if not (math.isfinite(speed) and speed > 0):
            raise ValueError(f"speed must be positive and finite, not {speed}")
        if not self.spec.low <= target <= self.spec.high:  # NaN fails here too
            limits = f"{self.spec.low:g} to {self.spec.high:g} um"
            raise self._failed(f"{target:g} um is outside the travel of {limits}", code="limit")
        if not self.homed:
            raise self._failed(f"the axis is not homed: {self._trust.why}", code="not_homed", advice="Home it first.")

    def _want_idle(self, report: Report) -> None:
        if report.state == "Alarm":
            raise self._failed("the controller is locked by an alarm", advice="Home the axis.")
        if report.state != "Idle":
            raise self._failed(f"the controller is not idle (state {report.state})", code="busy", advice="Stop it.")

    def _go(self, stops: int) -> None:
        """Raises MotionFailed where a stop or a surprise has come since `stops`."""
        if self._stops != stops:
            raise self._failed("broken off by a stop")
        if self._watch.activity != "home" and not self.homed:
            raise self._failed(f"broken off: {self._trust.why}", advice=INSPECT)

    def _words(self, target: float, speed: float) -> str:
        feed = max(speed * 60 / self._config.um_per_unit, 0.01)
        return f"{self._config.letter}{target / self._config.um + 0.0:.4f} F{feed:.2f}"

    def _failed(self, text: str, *, code: str = "device_fault", advice: str = "") -> MotionFailed:
        frames = self._board.link.recent
        full: dict[str, Any] = {"code": code, "advice": advice, "device": self.name, "frames": frames}
        return MotionFailed(f"{self.name}: {text}.", **full)


async def _joined(task: asyncio.Task[None]) -> None:
    await asyncio.shield(task)
