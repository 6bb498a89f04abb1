"""An axis on the client library's own server: other framing, the low word first, status and place apart, inverse flags,
commands that act on a change, a stop by a coil."""

from __future__ import annotations

import asyncio
import time
from typing import Any

import pytest

from benchd.devices import HomeFailed, MotionFailed
from benchd.testing.leaks import no_leaks
from benchd.testing.lively import lively_loop
from benchd_drivers.modbus_axis import ModbusAxis
from tests.drivers.modbus_ends import foreign_rtu, foreign_tcp

__all__ = ["no_leaks"]

CONTROL, SPEED, TARGET, STOP_WORD = 10, 11, 12, 14
STATUS, PLACE = 20, 30
GO, HOME = 1, 2
AT_REST, HOMED, ALARM = 1, 2, 4
KEYS: dict[str, Any] = {
    "unit_id": 5,
    "status": {"address": STATUS},
    "position": {"address": PLACE, "type": "int32", "words": "low_first"},
    "target": {"address": TARGET, "type": "int32", "words": "low_first"},
    "speed": {"address": SPEED, "function": 16},
    "moving": {"bit": 0, "when": 0},
    "homed": {"bit": 1},
    "fault": {"bit": 2},
    "move": {"address": CONTROL, "value": GO, "edge_from": 0},
    "home": {"address": CONTROL, "value": HOME, "edge_from": 0},
    "stop": {"address": STOP_WORD, "value": 1},
    "um_per_count": 1.0,
    "positive": "shallower",
    "zero_at": 100.0,
    "speed_um_s_per_count": 10.0,
    "travel_um": [-20_000, 0],
    "top_speed_um_s": 20_000,
    "acceleration_um_s2": 100_000,
    "home_search_um": 25_000,
}


class Uniform:
    """A drive without ramps: its place is a matter of the time. It acts on a change of its control word alone."""

    def __init__(self) -> None:
        self.stops = self.gos = 0
        self.refuses_home = False
        self._homed = False
        self._control = 0
        self._from, self._to, self._speed, self._began = 7000.0, 7000.0, 1.0, time.monotonic()

    def device(self) -> Any:
        from pymodbus.simulator import DataType, SimData, SimDevice

        return SimDevice(5, [SimData(0, count=40, datatype=DataType.REGISTERS)], action=self.accessed)

    def place(self) -> float:
        way = (time.monotonic() - self._began) * self._speed
        span = self._to - self._from
        return self._to if way >= abs(span) else self._from + (way if span > 0 else -way)

    def _go(self, to: float, speed: float) -> None:
        self._from, self._to, self._speed, self._began = self.place(), to, speed, time.monotonic()

    async def accessed(
        self, function: int, start: int, address: int, count: int, registers: list[int], values: Any
    ) -> None:
        """What the server's hook is handed: registers from `start` on, and what is about to be written."""
        held = {at + start: value for at, value in enumerate(registers)}
        if values is not None:
            held.update({address + at: int(value) for at, value in enumerate(values)})
            self._written(held, range(address, address + len(values)))
        at = self.place()
        if self._to == 0.0 and at == 0.0 and self._control == HOME:
            self._homed = True
        whole = round(at) & 0xFFFFFFFF
        registers[STATUS - start] = (AT_REST if at == self._to else 0) | (HOMED if self._homed else 0)
        registers[PLACE - start : PLACE - start + 2] = [whole & 0xFFFF, whole >> 16]

    def _written(self, held: dict[int, int], written: range) -> None:
        if STOP_WORD in written:
            self.stops += 1
            self._go(self.place(), 1.0)
        if CONTROL in written and held[CONTROL] != self._control:
            self._control = held[CONTROL]
            target = held[TARGET + 1] << 16 | held[TARGET]
            if self._control == GO and self._homed:
                self.gos += 1
                self._go(target - (1 << 32 if target >> 31 else 0), held[SPEED] * 10.0)
            elif self._control == HOME and not self.refuses_home:
                self._homed = False
                self._go(0.0, 20_000.0)


@pytest.mark.parametrize("over", [foreign_tcp, foreign_rtu])
async def test_it_homes_moves_jogs_and_stops(over: Any) -> None:
    drive = Uniform()
    async with over(drive.device()) as link, lively_loop():
        axis = ModbusAxis.create("stage", ModbusAxis.Config(**KEYS), link)
        await axis.open()
        with pytest.raises(MotionFailed, match="not homed"):
            await axis.move_to(-5000, 20_000)
        await axis.home()
        assert axis.homed
        assert (await axis.read()).value == pytest.approx(100, abs=1), "count 0, where it grows shallower from 100"
        for target in (-5000.0, -5003.0, -5003.0):
            await axis.move_to(target, 20_000)
            assert (await axis.read()).value == pytest.approx(target, abs=1)
        assert drive.gos == 3
        assert drive.stops == 0, "what goes well is not stopped"
        move = asyncio.create_task(axis.move_to(-20_000, 10_000))
        await asyncio.sleep(0.3)
        await axis.stop()
        with pytest.raises(MotionFailed):
            await move
        assert drive.stops >= 1
        at_um = (await axis.read()).value
        assert -15_000 < at_um < -5003
        await axis.jog(1000, 500)
        await asyncio.sleep(0.8)
        assert (await axis.read()).value == pytest.approx(at_um + 500, abs=2)
        await axis.move_to(-6000, 20_000)
        assert axis.homed
        await axis.close()


async def test_a_drive_that_ignores_homing_is_not_homed() -> None:
    drive = Uniform()
    async with foreign_tcp(drive.device()) as link:
        axis = ModbusAxis.create("stage", ModbusAxis.Config(**KEYS), link)
        await axis.open()
        drive.refuses_home = True
        with pytest.raises(HomeFailed, match=r"did not begin|is not homed"):
            await axis.home()
        assert not axis.homed
        await axis.close()
