"""Which level of a G-code controller's output is wanted, and how that comes to be: lit, dark, taken back, brought back.

What was refused to a person, or given up, never happens. To light up waits for a few seconds, then it is refused; to go
dark never is. What darkens the output by itself (an alarm, a door) stays so and is told; what darkens it by the way (a
reset, homing) is followed by the level that was wanted.
"""

from __future__ import annotations

import asyncio
import math

from benchd.devices import Clock, DeviceError, Health, now_s
from benchd_drivers.finishing import finish
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_dark import GoingDark
from benchd_drivers.gcode_errors import LineRefused
from benchd_drivers.gcode_level import BEHIND_S, LOCKED, WAIT_S, Levels, Moving
from benchd_drivers.gcode_output import Output

SET_S, TAKE_BACK_S = 7.0, 1.5
"""So long a level may take altogether, and to be taken back: who asked is answered before it gives up (`BenchClient`,
10 s), so that nothing told as failed comes later."""


class Lighting:
    """`wanted` is the level that is to be in force, None where nobody knows; `trouble` is what became of the last."""

    def __init__(self, name: str, board: GcodeBoard, output: Output, clock: Clock) -> None:
        self._name = name
        self._board = board
        self._levels = Levels(name, board, output, clock)
        self._going_dark = GoingDark(name, self._dark_now, clock)
        self._turn = asyncio.Lock()
        self._dark = ""  # why the light is dark, though nobody asked for that
        self.wanted: float | None = None
        self.trouble = Health("ok")

    @property
    def output(self) -> Output:
        """How the board is set."""
        return self._levels.output

    def begin(self, output: Output) -> None:
        """A new contact, with a board that is set so: nothing is known."""
        self._levels.output = output
        self.wanted, self._dark = None, ""

    async def end(self) -> None:
        """Try no more to go dark; never raises."""
        await self._going_dark.close()

    def health(self) -> Health:
        """Why it is dark where nobody asked for that, else what became of the last level."""
        if self._dark:
            return Health("degraded", "dark", f"{self._name} is dark: {self._dark}. Set it anew.")
        return self.trouble

    async def make_safe(self, level: float) -> None:
        """The safe level, behind whatever moves; dark where the controller is locked."""
        async with self._turn:
            try:
                await self._levels.put(level, None, BEHIND_S)
                self.wanted = level
            except LineRefused as refusal:
                if refusal.number != LOCKED:
                    raise
                await self._dark_by_reset()

    async def _dark_by_reset(self) -> None:
        """A controller locked by an alarm takes no level, not even to go dark; a reset darkens its output."""
        self.wanted = 0.0  # nothing is brought back after it
        async with self._board.gate:
            if (await self._board.report()).at_rest:
                await self._board.reset()

    async def light_up(self, level: float) -> None:
        """Raises DeviceError (`busy` where it was not set and will not be), LineRefused."""
        began, stops, darkened = now_s(), self._board.stops, self._going_dark.asked
        written = False

        def wanted() -> None:
            if self._board.stops != stops:
                raise self._levels.dropped("a stop came first")
            if self._going_dark.asked != darkened:
                raise self._levels.dropped("it was to go dark meanwhile")

        def ahead() -> None:
            nonlocal written
            wanted()
            self._levels.nothing_moves()
            written = True

        try:
            async with asyncio.timeout(WAIT_S):
                await self._turn.acquire()
        except TimeoutError:
            raise self._levels.dropped(f"it had not done what was asked of it before in {WAIT_S:g} s") from None
        try:
            async with asyncio.timeout(began + SET_S - now_s()):
                await self._levels.put_at_rest(level, ahead, wanted, began + WAIT_S)
        except BaseException as error:
            if written and getattr(error, "code", "") != "interlock":  # then what waited in it is gone already
                await finish(self._take_back(level), f"take back {self._name}")
            if isinstance(error, TimeoutError):
                raise self._levels.dropped(f"the controller did not show it within {SET_S:g} s") from error
            raise
        else:
            self.wanted, self._dark, self.trouble = level, "", Health("ok")
            if self._going_dark.asked == darkened:
                self._going_dark.lift()  # promised before, and tried in vain till now
        finally:
            self._turn.release()

    async def go_dark(self) -> None:
        """Whatever waits to be lit is dropped. In a motion that lasts it is a promise, which the health tells."""
        self.wanted = 0.0  # nothing brings it back
        if not await self._going_dark.ask(WAIT_S) and self.trouble.state == "ok":
            text = f"{self._name} goes dark as soon as the carriage stands."
            self.trouble = Health("degraded", "busy", text)

    async def _dark_now(self) -> None:
        async with self._turn:
            try:
                await self._levels.put_at_rest(0.0, self._levels.nothing_moves, lambda: None, math.inf)
            except DeviceError as error:
                self.wanted = 0.0
                if isinstance(error, LineRefused) and error.number == LOCKED:
                    await self._dark_by_reset()
                else:
                    if error.code != "interlock":
                        await self._take_back(0.0)
                    raise
            self.wanted, self._dark, self.trouble = 0.0, "", Health("ok")

    async def _take_back(self, asked: float) -> None:
        """Of a level that was given up, or told as failed, nothing may show later: what was there before, or dark where
        that was brighter."""
        before, self.wanted = self.wanted or 0.0, 0.0
        level = before if before <= asked else 0.0
        try:
            async with asyncio.timeout(TAKE_BACK_S):
                await self._levels.put(level, None, BEHIND_S)
            self.wanted = level
            if before > level:
                self._dark = "another level was asked for, and could not be set"
        except (DeviceError, TimeoutError) as error:
            why = getattr(error, "text", "it does not answer").rstrip(".")
            what = "whether its level was set" if level else "whether it is dark"
            self.trouble = Health("degraded", "unknown", f"{self._name}: {what} is not known: {why}.")

    def darkened(self, why: str) -> None:
        """Something has put it out, and nobody asked for that."""
        if self.wanted:
            self._dark = why
        self.wanted = 0.0

    async def bring_back(self) -> None:
        """After what darkened it by the way. Never raises DeviceError: it is dark then, and says why."""
        if not self.wanted or self._levels.sending:
            return
        level = self.wanted

        def still_wanted() -> None:
            if self.wanted != level:
                raise Moving

        try:
            await self._levels.put(level, still_wanted, BEHIND_S)
            self.trouble = Health("ok")
        except Moving:
            return
        except DeviceError as error:
            self.darkened(f"its level was not brought back ({error.text.rstrip('.')})")
