"""A level on its way into the output of a G-code controller: written while nothing moves, and seen in force.

A controller changes its output only when the motion before it has ended, and keeps the line for so long. So nothing is
written before the devices on the board and its reports say that nothing moves, and again where it turns out that they
were overtaken.
"""

from __future__ import annotations

from collections.abc import Callable

from benchd.devices import Clock, DeviceError, now_s
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_errors import LineHeld, LineRefused, LineReset, LineUnanswered
from benchd_drivers.gcode_held import empty, unheld
from benchd_drivers.gcode_output import Output
from benchd_drivers.gcode_status import Report

LOCKED = 9
WAIT_S = 5.0
"""So long a level waits for the motion to end."""
ANSWER_S = 2.0
"""At rest a line is answered within milliseconds."""
BEHIND_S = 180.0
"""So long a motion may keep back what is sent behind it."""
LOOK_S = 0.05
STILL_S = 0.3
"""A carriage at rest is looked at five times a second."""
UNHEARD_S = 0.2
"""Who moves asks for reports by itself, as a rule; one that nobody asked for so long is asked here."""


class Moving(Exception):
    """Motion began before the line was written, or another level is wanted by now; it was not."""


class Levels:
    """Puts levels into force. `output` is how the board is set now; `sending` tells that a level is on its way."""

    def __init__(self, name: str, board: GcodeBoard, output: Output, clock: Clock) -> None:
        self._name = name
        self._board = board
        self._clock = clock
        self.output = output
        self.sending = False

    async def put_at_rest(
        self, level: float, ahead: Callable[[], None], wanted: Callable[[], None], deadline: float
    ) -> None:
        """Put it into force once nothing moves; `wanted` is called while waiting, `ahead` in front of the bytes.

        Both may raise, `ahead` Moving to wait on. Raises DeviceError: `busy` where something still moves at
        `deadline` (monotonic), else what `put` raises.
        """
        while True:
            await self._at_rest(wanted, deadline)
            try:
                await self.put(level, ahead, ANSWER_S)
                return
            except Moving:
                continue
            except LineRefused as refusal:
                if refusal.number == LOCKED and (await self._board.report()).state in ("Jog", "Home"):
                    continue  # of somebody else's
                raise

    async def put(self, level: float, guard: Callable[[], None] | None, answer_s: float) -> None:
        """Send a level and see it in force; a lost answer is asked for once more, as the same level twice is one.

        Raises LineRefused, DeviceError (`interlock` where the board is held), and what `guard` raises.
        """
        lines = self.output.lines(level)
        self.sending = True
        try:
            await self._send(lines[-1:], guard, answer_s)
            if not self._shows(await self._board.report(), level):
                # What is in force already is not done again, so that an output which something else has darkened
                # stays dark: off first.
                await self._send(lines, guard, answer_s)
                report = await self._board.report()
                if not self._shows(report, level):
                    text = f"{self._name}: the output is at {report.spindle:g}, but was set to {lines[-1]}."
                    raise DeviceError(text, device=self._name, frames=self._board.link.recent)
        finally:
            self.sending = False

    def nothing_moves(self) -> None:
        """Raises Moving where a device on the board is in motion."""
        if self._board.busy:
            raise Moving

    def dropped(self, why: str) -> DeviceError:
        """For a level of which nothing was sent, or what was is taken back."""
        return DeviceError(
            f"{self._name}: the level was not set, and will not be: {why}.",
            advice="Set it anew when the carriage stands.",
            device=self._name,
            code="busy",
        )

    async def _at_rest(self, wanted: Callable[[], None], deadline: float) -> None:
        """Return once nothing moves, as far as the devices on the board and its last report say; `wanted` may raise."""
        board = self._board
        while True:
            wanted()
            if board.looked_held:  # to ask anew each time would make every light late
                await unheld(board, self._name)
            if not (board.busy and (board.silent_why or board.heard_within(UNHEARD_S))):
                report = self._still or await board.report()
                if not board.busy and report.state not in ("Run", "Jog", "Home"):
                    return
            if now_s() > deadline:
                raise self.dropped(f"the carriage has been in motion for {WAIT_S:g} s")
            await self._clock.sleep(LOOK_S)

    @property
    def _still(self) -> Report | None:
        """The last report, where it was idle so shortly ago that only a hand at the controller can have begun a motion
        since: a light is not made late by asking again, and is refused or waits there as if it had been asked."""
        last = self._board.last
        return last if last and last.state == "Idle" and self._board.heard_within(STILL_S) else None

    async def _send(self, lines: list[str], guard: Callable[[], None] | None, answer_s: float) -> None:
        for text in lines:
            for last in (False, True):
                try:
                    await self._board.line(text, answer_s, guard)
                    break
                except LineHeld as held:
                    await empty(self._board)
                    raise DeviceError(
                        f"{self._name}: {held.text}", advice=held.advice, device=self._name, code="interlock"
                    ) from held
                except (LineReset, LineUnanswered):
                    if last:
                        raise
                await self._clock.sleep(LOOK_S)

    def _shows(self, report: Report, level: float) -> bool:
        """Whether the report tells that level, where the controller tells its output at all."""
        return report.spindle is None or abs(report.spindle - self.output.power(level)) <= 0.5
