"""The queue of straight moves and what the motors make of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import islice
from math import hypot

from benchd_simulators.firmware.machine import Motor

MOST_MOVES = 15


@dataclass(frozen=True, slots=True)
class Move:
    """`speed_um_s` is that along the straight line of all axes; `ways_um` is signed."""

    targets_um: Mapping[str, float]
    ways_um: Mapping[str, float]
    speed_um_s: float
    jog: bool
    power: float
    """What the output is to be while it runs."""

    def share(self, axis: str) -> float:
        """Of the speed along the line, that of one axis."""
        return abs(self.ways_um[axis]) / hypot(*self.ways_um.values())

    def continues(self, other: Move) -> bool:
        """Whether it goes on as the other does: one axis alone, the same, the same way, speed and kind."""
        if len(self.ways_um) > 1 or self.ways_um.keys() != other.ways_um.keys():
            return False
        ((_, way),), ((_, before),) = self.ways_um.items(), other.ways_um.items()
        return way * before > 0 and (self.speed_um_s, self.jog) == (other.speed_um_s, other.jog)


class Planner:
    """Feeds the motors from one bounded queue. Moves of one axis, direction and speed run into each other without a
    stop.

    `poll` has to be called often while `busy`; nothing else starts a motor. `begins` is told the output's level of
    each move as it begins.
    """

    def __init__(self, motors: Mapping[str, Motor], begins: Callable[[float], None]) -> None:
        self._motors = motors
        self._begins = begins
        self._begun: Move | None = None
        self.held = False
        self.cancelling = False
        self._moves: deque[Move] = deque()
        self._sent: tuple[Mapping[str, float], float] | None = None  # what the motors were last told

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
    def moving(self) -> bool:
        """Whether any motor turns."""
        return any(motor.moving for motor in self._motors.values())

    def end_um(self, axis: str) -> float:
        """Where the last accepted move of an axis ends."""
        moves = (move.targets_um[axis] for move in reversed(self._moves) if axis in move.targets_um)
        return next(moves, self._motors[axis].position_um)

    def add(self, targets_um: Mapping[str, float], speed_um_s: float, *, jog: bool, power: float) -> None:
        """Take one move; the caller has seen that there is room. A move to where the last one ends is no move."""
        ways = {axis: target - self.end_um(axis) for axis, target in targets_um.items()}
        ways = {axis: way for axis, way in ways.items() if abs(way) > 1e-6}
        if ways:
            self._moves.append(Move({axis: targets_um[axis] for axis in ways}, ways, speed_um_s, jog, power))

    def poll(self) -> None:
        """Take off the moves that are done, tell the motors about the next."""
        if self.cancelling and not self.moving:
            self.flush()
        if self.held or self.cancelling:
            return
        while self._moves and self._sent is not None and self._done(self._moves[0]):
            if self._sent[0] == self._moves.popleft().targets_um:
                self._sent = None
        if self._moves:
            head = self._moves[0]
            if head is not self._begun:
                self._begun = head
                self._begins(head.power)
            wanted = (self._run_end_um(), head.speed_um_s)
            if wanted != self._sent:
                self._sent = wanted
                for axis, target in wanted[0].items():
                    self._motors[axis].start(target, head.speed_um_s * head.share(axis))

    def _done(self, head: Move) -> bool:
        assert self._sent is not None
        if self._sent[0] == head.targets_um:
            return not any(self._motors[axis].moving for axis in head.targets_um)
        ((axis, target),) = head.targets_um.items()  # one that runs into the next
        at_um = self._motors[axis].position_um
        return at_um >= target if head.ways_um[axis] > 0 else at_um <= target

    def _run_end_um(self) -> Mapping[str, float]:
        """End of the moves at the head that run into each other."""
        head = self._moves[0]
        ends = head.targets_um
        for move in islice(self._moves, 1, None):
            if not move.continues(head):
                break
            ends = move.targets_um
        return ends

    def hold(self) -> None:
        """Feed hold: the motors ramp down, the queue stays."""
        self.held = True
        for motor in self._motors.values():
            motor.hold()

    def resume(self) -> None:
        self.held = False
        self._sent = self._begun = None

    def cancel_jog(self) -> None:
        """Ramp down; at standstill the queue is forgotten."""
        self.cancelling = True
        for motor in self._motors.values():
            motor.cancel()

    def kill(self) -> None:
        """The step pulses cease at once; the queue is forgotten."""
        for motor in self._motors.values():
            motor.abort()
        self.flush()

    def flush(self) -> None:
        self._moves.clear()
        self._sent = self._begun = None
        self.cancelling = False
        self.held = False
