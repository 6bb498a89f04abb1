"""What the motion board is at, as a report names it."""

from __future__ import annotations

from typing import Protocol

from benchd_simulators.firmware.build import Build
from benchd_simulators.firmware.coordinates import Coordinates
from benchd_simulators.firmware.homing import tripped
from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.planner import Planner
from benchd_simulators.firmware.report import Snapshot
from benchd_simulators.firmware.state import Door, State

RECEIVE_BYTES = 128


class Reported(Protocol):
    """The board as its reports see it."""

    received: bytearray

    @property
    def machine(self) -> Machine: ...
    @property
    def build(self) -> Build: ...
    @property
    def state(self) -> State: ...
    @property
    def coordinates(self) -> Coordinates: ...
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
        (planner.held, f"Hold:{int(board.machine.motor.moving)}"),
        (planner.jogging, "Jog"),
        (planner.busy, "Run"),
    )
    return next((name for applies, name in candidates if applies), "Idle")


def snapshot(board: Reported) -> Snapshot:
    """What a report tells of this instant."""
    motor, state = board.machine.motor, board.state
    return Snapshot(
        state=word(board),
        z_mm=board.coordinates.machine_um(motor.position_um) / 1000,
        offset_mm=state.modal.offset_mm,
        feed_mm_min=abs(motor.speed_um_s) * 60 / 1000,
        power=state.power if board.build.pwm else None,
        pins=("Z" if tripped(board.machine) else "") + ("D" if state.ajar else ""),
        blocks_free=board.planner.room,
        bytes_free=RECEIVE_BYTES - len(board.received),
    )
