"""What the motion board is at, as a report names it."""

from __future__ import annotations

from collections.abc import Mapping, Set
from math import hypot
from typing import Protocol

from benchd_simulators.firmware.axis import BoardAxis
from benchd_simulators.firmware.build import Build
from benchd_simulators.firmware.gcode import AXES
from benchd_simulators.firmware.planner import Planner
from benchd_simulators.firmware.report import Snapshot
from benchd_simulators.firmware.state import Door, State

RECEIVE_BYTES = 128


class Reported(Protocol):
    """The board as its reports see it."""

    received: bytearray

    @property
    def build(self) -> Build: ...
    @property
    def state(self) -> State: ...
    @property
    def axes(self) -> Mapping[str, BoardAxis]: ...
    @property
    def tripped(self) -> Set[str]: ...
    @property
    def planner(self) -> Planner: ...


def word(board: Reported) -> str:
    """The state; the first that applies."""
    planner, state = board.planner, board.state
    candidates = (
        (state.asleep, "Sleep"),
        (state.homing, "Home"),
        (state.locked, "Alarm"),
        (state.checking, "Check"),
        (planner.cancelling, "Jog"),
        (state.door is not Door.SHUT, f"Door:{state.door.value}"),
        (planner.held, f"Hold:{int(planner.moving)}"),
        (planner.jogging, "Jog"),
        (planner.busy, "Run"),
    )
    return next((name for applies, name in candidates if applies), "Idle")


def snapshot(board: Reported) -> Snapshot:
    """What a report tells of this instant."""
    state, axes, tripped = board.state, board.axes, board.tripped
    speeds = [axis.limb.motor.speed_um_s for axis in axes.values()]
    return Snapshot(
        state=word(board),
        at_mm=[axes[letter].machine_mm if letter in axes else 0.0 for letter in AXES],
        offset_mm=[state.modal.offset_mm(letter) for letter in AXES],
        feed_mm_min=hypot(*speeds) * 60 / 1000,
        power=state.power if board.build.pwm else None,
        pins="".join(letter for letter in AXES if letter in tripped) + ("D" if state.ajar else ""),
        blocks_free=board.planner.room,
        bytes_free=RECEIVE_BYTES - len(board.received),
    )
