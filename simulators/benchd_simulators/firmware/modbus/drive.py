"""A stepper drive with registers, a dimmer and a readout beside it; and one like it for each ring that a motor turns.

| table | address | what |
|---|---|---|
| holding | 0, 1 | target, int32, high word first, in half micrometres |
| holding | 2 | speed, uint16, half micrometres a second |
| holding | 3 | command, carried out as it is written: 1 go, 2 stop, 3 home, 4 clear a fault |
| holding | 4 | light, 0 to 1000 |
| input | 0 | status: bit 0 moving, 1 homed, 2 fault, 3 home switch, 4 end switch |
| input | 1, 2 | position, int32, high word first, in half micrometres |
| input | 3 | the indicator's reading, int16, tenths of a micrometre |
| input | 4, 5 | the same in millimetres, float32, low word first |
| input | 6 | model number |
| coil | 0 | 1 stops |
| discrete | 0, 1 | home switch, end switch |

It counts away from its switch, from 0 where homing ends. What stands in the target is not gone to before command 1.
On a ring's drive, where a unit of the motion board's is 10 degrees, a count is 0.005 degrees; nothing hangs on its
dimmer and nothing on its readout.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Sequence
from typing import TypeVar

from benchd_simulators.firmware.homing import HomingFailed, home, tripped
from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.modbus.server import BUSY, DEVICE_FAILURE, ILLEGAL_ADDRESS, ILLEGAL_VALUE, Refused
from benchd_simulators.firmware.news import LONGEST_TICK_S, TICK_S
from benchd_simulators.firmware.settings import Settings

T = TypeVar("T")

UNIT = 17
MODEL, RING_MODEL = 0x4D31, 0x4D32
COUNT_UM = 0.5
TRAVEL_UM = 31_000.0
FULL = 1000
AT_POWER_UP = (0, 0, 1000, 0, 0)
GO, STOP, HOME, CLEAR = 1, 2, 3, 4


class Drive:
    """Its registers, and what they do to one limb of the machine. At rest it does nothing by itself."""

    def __init__(self, machine: Machine, *, pace: float, letter: str = "Z", model: int = MODEL) -> None:
        """`letter` is that of the limb it drives; dimmer and readout hang on the carriage's."""
        self._limb, self._pace = machine.limbs[letter], pace
        self._beside = machine if letter == "Z" else None
        self._settings = Settings()
        self._homing: asyncio.Task[None] | None = None
        self._next_look: asyncio.TimerHandle | None = None
        self._refusals: list[int] = []
        self._homed = self._fault = False
        self._held = [*AT_POWER_UP]
        self.model = model

    def power_up(self) -> None:
        """As when its supply fails and comes back: nothing is known, the light is out."""
        self.cease()
        self._homed = self._fault = False
        self._held = [*AT_POWER_UP]
        self._dim(0.0)

    def cease(self) -> None:
        """No more pulses, and nothing that would send any. Idempotent."""
        self._break_off_homing()
        self._limb.motor.abort()
        self._look_no_more()

    # ---- faults

    def trip(self) -> None:
        """A fault of the drive: the pulses cease, the place is lost."""
        self.cease()
        self._fault, self._homed = True, False

    def refuse(self, code: int, count: int) -> None:
        """Answer the next `count` writes with an exception, and do nothing."""
        self._refusals = [code] * count

    # ---- tables

    def coils(self, address: int, count: int) -> Sequence[bool]:
        return _part([False], address, count)

    def discrete(self, address: int, count: int) -> Sequence[bool]:
        return _part([self._limb.limit_switch, self._limb.end_switch], address, count)

    def holding(self, address: int, count: int) -> Sequence[int]:
        return _part(self._held, address, count)

    def inputs(self, address: int, count: int) -> Sequence[int]:
        place = round(self._limb.motor.position_um / COUNT_UM)
        reading_um = self._beside.indicator_um() if self._beside else 0.0
        mm = struct.unpack(">HH", struct.pack(">f", reading_um / 1000))
        told = [self._status(), *_words(place), round(reading_um * 10) & 0xFFFF, *reversed(mm), self.model]
        return _part(told, address, count)

    def write_coil(self, address: int, on: bool) -> None:
        self._refusal()
        _part([False], address, 1)
        if on:
            self._do(STOP)

    def write_holding(self, address: int, values: Sequence[int]) -> None:
        self._refusal()
        _part(self._held, address, len(values))
        after = [*self._held]
        after[address : address + len(values)] = values
        if after[2] == 0 or after[4] > FULL:
            raise Refused(ILLEGAL_VALUE)
        if address <= 3 < address + len(values):
            self._check(after)
        self._held = after
        if address <= 3 < address + len(values):
            self._do(after[3])
        if address <= 4 < address + len(values):
            self._dim(after[4] / FULL)

    def _dim(self, level: float) -> None:
        if self._beside is not None:
            self._beside.lamp.set_level(level)

    def _refusal(self) -> None:
        if self._refusals:
            raise Refused(self._refusals.pop())

    def _status(self) -> int:
        bits = (
            self._limb.motor.moving or self._homing is not None,
            self._homed,
            self._fault,
            self._limb.limit_switch,
            self._limb.end_switch,
        )
        return sum(bit << at for at, bit in enumerate(bits))

    # ---- motion

    def _check(self, held: Sequence[int]) -> None:
        """Whether a command is carried out. Raises Refused."""
        command = held[3]
        if command not in (0, GO, STOP, HOME, CLEAR):
            raise Refused(ILLEGAL_VALUE)
        if command in (GO, HOME) and self._homing is not None:
            raise Refused(BUSY)
        if command == GO and not (self._homed and 0 <= _target_um(held) <= TRAVEL_UM):
            raise Refused(ILLEGAL_VALUE if self._homed else DEVICE_FAILURE)
        if command == HOME and (self._fault or self._limb.motor.moving):
            raise Refused(DEVICE_FAILURE if self._fault else BUSY)

    def _do(self, command: int) -> None:
        match command:
            case 1:
                self._limb.motor.start(_target_um(self._held), self._held[2] * COUNT_UM)
                self._look()
            case 2:
                self._break_off_homing()
                self._limb.motor.cancel()
                self._look()
            case 3:
                self._homed = False
                self._homing = asyncio.get_running_loop().create_task(self._home(), name="drive homing")
            case 4:
                self._fault = False

    def _look(self) -> None:
        """While it moves: stop at a switch that is met, and look again before one can be."""
        self._look_no_more()
        limb = self._limb
        if self._homing is not None or not limb.motor.moving:
            return
        if tripped(limb):
            self.trip()
            return
        fastest_um_s = max(abs(limb.motor.speed_um_s), self._held[2] * COUNT_UM)
        world_s = min(limb.switches_off_um / fastest_um_s, LONGEST_TICK_S)
        self._next_look = asyncio.get_running_loop().call_later(max(world_s / self._pace, TICK_S), self._look)

    def _look_no_more(self) -> None:
        if self._next_look is not None:
            self._next_look.cancel()
            self._next_look = None

    async def _home(self) -> None:
        try:
            await home(self._limb, self._settings, -1, self._tick)
            self._homed = True
        except HomingFailed:
            self._limb.motor.cancel()
            self._fault = True
        finally:
            if self._homing is asyncio.current_task():
                self._homing = None

    async def _tick(self, seconds: float) -> None:
        await asyncio.sleep(max(seconds / self._pace, TICK_S))

    def _break_off_homing(self) -> None:
        homing, self._homing = self._homing, None
        if homing is not None:
            homing.cancel()


def _words(value: int) -> tuple[int, int]:
    return value >> 16 & 0xFFFF, value & 0xFFFF


def _target_um(held: Sequence[int]) -> float:
    return float(struct.unpack(">i", struct.pack(">HH", held[0], held[1]))[0]) * COUNT_UM


def _part(table: Sequence[T], address: int, count: int) -> Sequence[T]:
    if address + count > len(table):
        raise Refused(ILLEGAL_ADDRESS)
    return table[address : address + count]
