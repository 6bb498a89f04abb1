"""The queue of straight moves and what the motor makes of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice

from benchd_simulators.firmware.machine import Motor

MOST_MOVES = 15


@dataclass(frozen=True, slots=True)
class Move:
    target_um: float
    speed_um_s: float
    jog: bool
    outward: bool
    power: float
    """What the output is to be while it runs."""


class Planner:
    """Feeds the motor from a bounded queue. Moves of one direction and speed run into each other without a stop.

    `poll` has to be called often while `busy`; nothing else starts the motor. `begins` is told the output's level of
    each move as it begins.
    """

    def __init__(self, motor: Motor, begins: Callable[[float], None]) -> None:
        self.motor = motor
        self._begins = begins
        self._begun: Move | None = None
        self.held = False
        self.cancelling = False
        self._moves: deque[Move] = deque()
        self._sent: tuple[float, float] | None = None  # what the motor was last told

    @property
    def busy(self) -> bool:
        return bool(self._moves)

    @property
    def room(self) -> int:
        return MOST_MOVES - len(self._moves)

    @property
    def jogging(self) -> bool:
        return bool(self._moves) and self._moves[0].jog

    @property
    def end_um(self) -> float:
        """Where the last accepted move ends."""
        return self._moves[-1].target_um if self._moves else self.motor.position_um

    def add(self, target_um: float, speed_um_s: float, *, jog: bool, power: float) -> None:
        """Take one move; the caller has seen that there is room. A move to where the last one ends is no move."""
        way = target_um - self.end_um
        if abs(way) > 1e-6:
            self._moves.append(Move(target_um, speed_um_s, jog, way > 0, power))

    def poll(self) -> None:
        """Take off the moves that are done, tell the motor about the next."""
        if self.cancelling and not self.motor.moving:
            self.flush()
        if self.held or self.cancelling:
            return
        while self._moves and self._sent is not None and self._done(self._moves[0]):
            if self._sent[0] == self._moves.popleft().target_um:
                self._sent = None
        if self._moves:
            if self._moves[0] is not self._begun:
                self._begun = self._moves[0]
                self._begins(self._begun.power)
            wanted = (self._run_end_um(), self._moves[0].speed_um_s)
            if wanted != self._sent:
                self._sent = wanted
                self.motor.start(*wanted)

    def _done(self, head: Move) -> bool:
        assert self._sent is not None
        if self._sent[0] == head.target_um:
            return not self.motor.moving
        at_um = self.motor.position_um
        return at_um >= head.target_um if head.outward else at_um <= head.target_um

    def _run_end_um(self) -> float:
        """End of the moves at the head that share direction, speed and kind."""
        head = self._moves[0]
        end_um = head.target_um
        for move in islice(self._moves, 1, None):
            if (move.outward, move.speed_um_s, move.jog) != (head.outward, head.speed_um_s, head.jog):
                break
            end_um = move.target_um
        return end_um

    def hold(self) -> None:
        """Feed hold: the motor ramps down, the queue stays."""
        self.held = True
        self.motor.hold()

    def resume(self) -> None:
        self.held = False
        self._sent = self._begun = None

    def cancel_jog(self) -> None:
        """Ramp down; at standstill the queue is forgotten."""
        self.cancelling = True
        self.motor.cancel()

    def kill(self) -> None:
        """The step pulses cease at once; the queue is forgotten."""
        self.motor.abort()
        self.flush()

    def flush(self) -> None:
        self._moves.clear()
        self._sent = self._begun = None
        self.cancelling = False
        self.held = False
