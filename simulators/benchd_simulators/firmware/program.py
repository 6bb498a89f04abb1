"""The line side of the motion board: one line after another, each answered once it is accepted, not once it is done."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Protocol

from benchd_simulators.firmware.axis import UNIT_UM, BoardAxis
from benchd_simulators.firmware.build import Build
from benchd_simulators.firmware.commands import system
from benchd_simulators.firmware.gcode import MAX_LINE, GcodeRefused, Modal, Step, carry_out, parse, parse_jog, tidy
from benchd_simulators.firmware.homing import HomingFailed, home
from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.news import Aborted, News
from benchd_simulators.firmware.planner import Planner
from benchd_simulators.firmware.state import Door, State

ENDINGS = b"\r\n"
MOST_LINE = 4096  # what is kept of a line without end


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
    def build(self) -> Build: ...
    @property
    def axes(self) -> Mapping[str, BoardAxis]: ...
    @property
    def suspended(self) -> bool: ...
    @property
    def dead(self) -> bool: ...
    def light(self, power: float) -> None: ...
    def soft_reset(self) -> None: ...
    def sleep(self) -> None: ...
    def homed(self) -> None: ...
    def critical(self, alarm: int) -> None: ...
    def homing_failed(self, alarm: int) -> None: ...


class Program:
    """Reads `received`; `run` until cancelled. `in_hand`: a line is being carried out, and its answer is still due."""

    def __init__(self, board: Controller) -> None:
        self.board = board
        self.in_hand = False
        self._line = bytearray()

    async def run(self) -> None:
        while True:
            raw = await self._next_line()
            self.in_hand = True
            try:
                answer = await self._execute(raw)
            except Aborted:  # the reset has answered
                continue
            except GcodeRefused as refusal:
                answer = str(refusal)
            finally:
                self.in_hand = False
            if answer:
                self.board.say(answer)

    def drop_line(self) -> None:
        """A reset forgets what was read so far. A line that is broken off by it is answered as if it were done."""
        self._line.clear()
        if self.in_hand:
            self.board.say("ok")

    async def _next_line(self) -> bytes:
        """The next whole line, once the board is ready to look at it."""
        received = self.board.received
        while True:
            while received and not self.board.suspended:
                byte = received.pop(0)
                if byte in ENDINGS:
                    line = bytes(self._line)
                    self._line.clear()
                    return line
                if len(self._line) < MOST_LINE:
                    self._line.append(byte)
            await self.board.news.wait()

    async def _execute(self, raw: bytes) -> str:
        text = tidy(raw)
        if len(text) >= MAX_LINE:  # spaces and comments are not kept, so that they do not count
            return "error:11"
        if text.startswith("$J="):
            return await self._jog(text[3:])
        if text.startswith("$H"):
            return await self._home(text[2:])
        if text.startswith("$"):
            return system(self.board, text[1:], self.board.say)
        if text:
            await self._gcode(text)
        return "ok"

    async def _gcode(self, text: str) -> None:
        state, planner = self.board.state, self.board.planner
        if state.locked or planner.jogging:
            raise GcodeRefused(9)
        after, step = carry_out(parse(text, self._letters), state.modal, self._planned_mm)
        if not state.checking:
            await self._perform(step, after)
        state.modal = after
        if step.end:
            self.board.say("[MSG:Pgm End]")
            self.board.light(0.0)
            state.modal = Modal(g54_mm=after.g54_mm, g92_mm=after.g92_mm)

    async def _perform(self, step: Step, after: Modal) -> None:
        """The output and the dwell wait for the motion before them, as they belong to the program."""
        planner = self.board.planner
        if step.power is not None:
            await self._until(lambda: not planner.busy)
            self.board.light(self._output(after))
        if step.dwell_s is not None:
            await self._until(lambda: not planner.busy)
            await self.board.news.sleep(step.dwell_s)
        if step.move_mm is None:
            return
        targets_um = self._on_step_um(step.move_mm)
        if self._outside(targets_um):
            await self._soft_limit()
        feed = self._top_um_s(targets_um) if step.feed_mm_min is None else step.feed_mm_min * UNIT_UM / 60
        await self._enqueue(targets_um, feed, jog=False, power=self._output(after))

    def _output(self, modal: Modal) -> float:
        """What the output is to be. A laser burns in cutting moves (G1) alone."""
        dark = modal.spindle == 5 or (self.board.state.settings.laser and modal.motion != 1)
        return 0.0 if dark else modal.power

    async def _until(self, ready: Callable[[], bool]) -> None:
        """As `News.until`; on a board that a limit has stopped nothing is ready."""
        await self.board.news.until(lambda: not self.board.dead and ready())

    async def _soft_limit(self) -> None:
        """Stops in good order, so that the place is kept, then locks."""
        planner = self.board.planner
        planner.hold()
        while planner.moving:
            await self.board.news.sleep(0)
        planner.flush()
        self.board.critical(2)
        await self._until(lambda: False)

    async def _jog(self, text: str) -> str:
        state, planner = self.board.state, self.board.planner
        if state.locked or state.checking or (planner.busy and not planner.jogging):
            return "error:8"
        targets_mm, feed_mm_min = parse_jog(text, state.modal, self._planned_mm, self._letters)
        targets_um = self._on_step_um(targets_mm)
        if self._outside(targets_um):
            return "error:15"
        await self._enqueue(targets_um, feed_mm_min * UNIT_UM / 60, jog=True, power=self._output(state.modal))
        return "ok"

    async def _enqueue(self, targets_um: Mapping[str, float], speed_um_s: float, *, jog: bool, power: float) -> None:
        """`targets_um` in machine co-ordinates. A move lights the output anew, whatever has darkened it meanwhile."""
        planner = self.board.planner
        await self._until(lambda: planner.room > 0)
        motors_um = {axis: self.board.axes[axis].coordinates.motor_um(target) for axis, target in targets_um.items()}
        planner.add(motors_um, min(speed_um_s, self._top_um_s(targets_um)), jog=jog, power=power)
        planner.poll()
        self.board.news.notify()

    async def _home(self, letter: str) -> str:
        """All axes, Z first as a stock build has it, or the one of the letter."""
        board, state = self.board, self.board.state
        if not state.settings.homing:
            return "error:5"
        if board.planner.busy or state.checking:
            return "error:8"
        if state.door is Door.OPEN:
            return "error:13"
        state.homing = True
        if letter and not (board.build.single_axes and letter in board.axes):
            return "error:3"  # and it believes that it homes, until a reset (from memory)
        state.locked = False
        board.light(0.0)  # and stays so: what is in force is lit by the next move alone
        try:
            for axis in [board.axes[letter]] if letter else [*board.axes.values()][::-1]:
                await home(axis.limb, axis.settings, axis.coordinates.home_way, board.news.sleep)
                axis.coordinates.homed()
        except HomingFailed as failure:
            board.homing_failed(failure.alarm)
            await self._until(lambda: False)
        board.homed()
        return "ok"

    def _outside(self, targets_um: Mapping[str, float]) -> bool:
        return any(self.board.axes[axis].outside(target) for axis, target in targets_um.items())

    def _on_step_um(self, targets_mm: Mapping[str, float]) -> dict[str, float]:
        return {axis: self.board.axes[axis].on_step_um(target) for axis, target in targets_mm.items()}

    def _top_um_s(self, axes: Collection[str]) -> float:
        """The speed that none of them exceeds."""
        return min(self.board.axes[axis].settings.top_speed_um_s for axis in axes)

    @property
    def _letters(self) -> str:
        return "".join(self.board.axes)

    @property
    def _planned_mm(self) -> dict[str, float]:
        """Where the last accepted moves end, in machine co-ordinates."""
        ends = {letter: self.board.planner.end_um(letter) for letter in self.board.axes}
        machine = {letter: self.board.axes[letter].coordinates.machine_um(end) for letter, end in ends.items()}
        return {letter: self.board.axes[letter].on_step_um(at / UNIT_UM) / UNIT_UM for letter, at in machine.items()}
