"""The line side of the motion board: one line after another, each answered once it is accepted, not once it is done."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from benchd_simulators.firmware.commands import system
from benchd_simulators.firmware.gcode import MAX_LINE, GcodeRefused, Modal, Step, carry_out, parse, parse_jog, tidy
from benchd_simulators.firmware.homing import HomingFailed, home
from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.news import Aborted, News
from benchd_simulators.firmware.planner import Planner
from benchd_simulators.firmware.state import Door, State

ENDINGS = b"\r\n"


class Controller(Protocol):
    """The board as its program sees it."""

    received: bytearray
    say: Callable[[str], None]

    @property
    def machine(self) -> Machine: ...
    @property
    def planner(self) -> Planner: ...
    @property
    def state(self) -> State: ...
    @property
    def news(self) -> News: ...
    @property
    def suspended(self) -> bool: ...
    def light(self, power: float) -> None: ...
    def soft_reset(self) -> None: ...
    def critical(self, alarm: int) -> None: ...
    def homing_failed(self, alarm: int) -> None: ...


class Program:
    """Reads `received`; `run` until cancelled. A reset drops the line in hand without an answer."""

    def __init__(self, board: Controller) -> None:
        self.board = board
        self._line = bytearray()

    async def run(self) -> None:
        while True:
            try:
                answer = await self._execute(await self._next_line())
            except Aborted:
                continue
            except GcodeRefused as refusal:
                answer = str(refusal)
            except HomingFailed as failure:
                self.board.homing_failed(failure.alarm)
                continue
            if answer:
                self.board.say(answer)

    def drop_line(self) -> None:
        self._line.clear()

    async def _next_line(self) -> bytes:
        """The next whole line, once the board is ready to look at it. Of a line too long the rest is dropped."""
        received = self.board.received
        while True:
            while received and not self.board.suspended:
                byte = received.pop(0)
                if byte in ENDINGS:
                    line = bytes(self._line)
                    self._line.clear()
                    return line
                if len(self._line) <= MAX_LINE:
                    self._line.append(byte)
            await self.board.news.wait()

    async def _execute(self, raw: bytes) -> str:
        if len(raw) > MAX_LINE:
            return "error:11"
        text = tidy(raw)
        if text.startswith("$J="):
            return await self._jog(text[3:])
        if text == "$H":
            return await self._home()
        if text.startswith("$"):
            return system(self.board, text[1:], self.board.say)
        if text:
            await self._gcode(text)
        return "ok"

    async def _gcode(self, text: str) -> None:
        state, planner = self.board.state, self.board.planner
        if state.locked or planner.jogging:
            raise GcodeRefused(9)
        after, step = carry_out(parse(text), state.modal, self._planned_mm)
        if not state.checking:
            await self._perform(step)
        state.modal = after
        if step.end:
            self.board.say("[MSG:Pgm End]")
            self.board.light(0.0)
            state.modal = Modal(g54_mm=after.g54_mm, g92_mm=after.g92_mm)

    async def _perform(self, step: Step) -> None:
        """The output and the dwell wait for the motion before them, as they belong to the program."""
        planner, news = self.board.planner, self.board.news
        if step.power is not None:
            await news.until(lambda: not planner.busy)
            spindle, power = step.power
            self.board.light(0.0 if spindle == 5 else power)
        if step.dwell_s is not None:
            await news.until(lambda: not planner.busy)
            await news.sleep(step.dwell_s)
        if step.move_mm is None:
            return
        settings = self.board.state.settings
        target_um = self._on_step_um(step.move_mm)
        if self._outside(target_um):
            await self._soft_limit()
        feed = settings.top_speed_um_s if step.feed_mm_min is None else step.feed_mm_min * 1000 / 60
        await self._enqueue(target_um, feed, jog=False)

    async def _soft_limit(self) -> None:
        """Stops in good order, so that the place is kept, then locks."""
        planner, motor = self.board.planner, self.board.machine.motor
        planner.hold()
        while motor.moving:
            await self.board.news.sleep(0)
        planner.flush()
        self.board.critical(2)
        raise Aborted

    async def _jog(self, text: str) -> str:
        state, planner = self.board.state, self.board.planner
        if state.locked:
            return "error:9"
        if planner.busy and not planner.jogging:
            return "error:8"
        target_mm, feed_mm_min = parse_jog(text, state.modal, self._planned_mm)
        target_um = self._on_step_um(target_mm)
        if self._outside(target_um):
            return "error:15"
        if not state.checking:
            await self._enqueue(target_um, feed_mm_min * 1000 / 60, jog=True)
        return "ok"

    async def _enqueue(self, target_um: float, speed_um_s: float, *, jog: bool) -> None:
        planner = self.board.planner
        await self.board.news.until(lambda: planner.room > 0)
        planner.add(target_um, min(speed_um_s, self.board.state.settings.top_speed_um_s), jog=jog)
        planner.poll()
        self.board.news.notify()

    async def _home(self) -> str:
        state = self.board.state
        if not state.settings.homing:
            return "error:5"
        if self.board.planner.busy or state.checking:
            return "error:8"
        if state.door is Door.OPEN:
            return "error:13"
        state.locked = False
        state.homing = True
        await home(self.board.machine, state.settings, self.board.news.sleep)
        state.homing = False
        return "ok"

    def _outside(self, target_um: float) -> bool:
        settings = self.board.state.settings
        return settings.soft_limits and not 0 <= target_um <= settings.travel_um

    def _on_step_um(self, target_mm: float) -> float:
        step_um = self.board.state.settings.step_um
        return round(target_mm * 1000 / step_um) * step_um

    @property
    def _planned_mm(self) -> float:
        """Where the last accepted move ends."""
        return self._on_step_um(self.board.planner.end_um / 1000) / 1000
