"""How long a stop waits on a Modbus line: in virtual time, so that bytes, silences and nothing else take any.

A line carries one question at a time. So a stop waits for the exchange under way and the silences around it, and for
nothing that was waiting before it.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest

from benchd.devices import MotionFailed
from benchd_drivers.modbus_axis import ModbusAxis
from benchd_drivers.modbus_link import BITS_A_CHARACTER, ModbusRtu, silence_s
from benchd_drivers.modbus_question import Question
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.modbus.drive import Drive
from benchd_simulators.firmware.modbus.ends import SerialEnd
from benchd_simulators.firmware.rig import Cable
from benchd_simulators.firmware.wire import BITS_A_BYTE
from benchd_simulators.world import load_world
from tests.drivers.drive import AXIS, UNIT
from tests.virtual.ends.serial_end import PORTS, MemoryPort, MemoryTransport

STOP = bytes.fromhex("11 06 00 03 00 02")
STATUS_BYTES = 8 + 11
"""The question for status and place, and its answer."""
STOP_S = 0.020
"""What a stop may take to its first byte."""


class MemoryRtu(ModbusRtu):
    """A line without a kernel."""

    def _new_transport(
        self, on_bytes: Callable[[bytes], None], on_lost: Callable[[Exception], None]
    ) -> MemoryTransport:
        self._asker = self._new_asker()
        where, baud = self._where(), self._line.baud
        return MemoryTransport(where, baud, self._inflow(), self._config.write_timeout_s, on_bytes, on_lost)


@asynccontextmanager
async def homed(folder: Path, baud: int) -> AsyncIterator[tuple[ModbusAxis, ModbusRtu, list[tuple[float, bytes]]]]:
    """The axis, its line, and what is written to that and when."""
    loop = asyncio.get_running_loop()
    machine = load_world("workshop", 1, 1.0, loop.time)
    cable = Cable(folder / "drive", Journal(None), seed=1, port=MemoryPort)
    drive = Drive(machine, pace=1.0)
    SerialEnd(cable, {UNIT: drive})
    cable.port.plug()
    written: list[tuple[float, bytes]] = []
    port = PORTS[str(folder / "drive")]
    port.wrote = lambda data: written.append((loop.time(), data))
    link = MemoryRtu.create("line", MemoryRtu.Config(port=str(folder / "drive"), baud=baud))
    await link.open()
    port.baud = round(baud * BITS_A_BYTE / BITS_A_CHARACTER)  # the simulated wire knows of no parity bit
    axis = ModbusAxis.create("stage", ModbusAxis.Config(**AXIS), link)
    await axis.open()
    await axis.home()
    try:
        yield axis, link, written
    finally:
        await axis.close()
        await link.close()
        drive.cease()
        cable.unplug()


@pytest.mark.parametrize(("baud", "in_time"), [(9600, False), (19_200, True), (115_200, True)])
async def test_a_stop_waits_for_one_exchange_at_the_most(tmp_path: Path, baud: int, in_time: bool) -> None:
    """Of a drive that answers at once; what a real one thinks comes on top. 9600 baud is too slow for a stop in 20 ms,
    and the page of these drivers says so."""
    loop = asyncio.get_running_loop()
    waits = []
    async with homed(tmp_path, baud) as (axis, link, written):
        for count in range(30):
            to_um = 25_000 if count // 10 % 2 == 0 else 2000
            move = asyncio.create_task(axis.move_to(to_um, 3000))
            await asyncio.sleep(0.25 + 0.0011 * count)
            others = [asyncio.create_task(link.ask(Question(UNIT, 4, 6, count=1))) for _ in range(count % 4)]
            asked = loop.time()
            stopping = asyncio.create_task(axis.stop())
            await asyncio.sleep(0.1)
            waits.append(next(t for t, data in written if t >= asked and data.startswith(STOP)) - asked)
            between = [data for t, data in written if asked < t < asked + waits[-1]]
            assert len(between) <= 1, "what had its turn before"
            await asyncio.gather(stopping, *others)
            with suppress(MotionFailed):
                await move
    exchange_s = STATUS_BYTES * BITS_A_CHARACTER / baud
    most_s = (
        silence_s(baud) + exchange_s + silence_s(baud)
    )  # the question that had its turn may have had to wait as well
    assert exchange_s < max(waits) < most_s, "some came just as a question went out"
    assert (most_s < STOP_S) is in_time
    assert (max(waits) < STOP_S) is in_time


async def test_a_stop_written_before_a_status_is_asked_for_waits_for_nothing(tmp_path: Path) -> None:
    loop = asyncio.get_running_loop()
    async with homed(tmp_path, 19_200) as (axis, _, written):
        await axis.move_to(5000, 3000)
        await asyncio.sleep(0.1)
        asked = loop.time()
        await axis.stop()
        assert next(t for t, data in written if t >= asked and data.startswith(STOP)) == asked
