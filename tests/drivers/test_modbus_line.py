"""A Modbus line: late, lost and garbled answers, refusals, who is next, and a far end of other people.

Tests of faults carry the number that the fault has in the list of faults a bench survives.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio

from benchd.devices import DeviceMismatch, FrameLog, Implausible, LinkError, LinkGarbled, LinkTimeout
from benchd.testing.leaks import no_leaks
from benchd.testing.lively import lively_loop
from benchd.testing.peer import PtyPeer
from benchd_drivers.modbus_asker import ModbusRefused
from benchd_drivers.modbus_link import ModbusLink, ModbusRtu
from benchd_drivers.modbus_meter import ModbusMeter
from benchd_drivers.modbus_question import Question
from benchd_drivers.modbus_turns import Turns
from benchd_drivers.modbus_unit import Unit, UnitConfig
from benchd_simulators.firmware.modbus.frames import rtu
from tests.drivers.conftest import SimulatedBench
from tests.drivers.drive import UNIT, modbus_meter, rtu_link, tcp_link
from tests.drivers.modbus_ends import foreign_rtu, foreign_tcp

__all__ = ["no_leaks"]

SPEED = Question(UNIT, 3, 2, count=1)  # 1000 at power-up
MODEL = Question(UNIT, 4, 6, count=1)
LEVEL = Question(UNIT, 3, 4, count=1)  # 0 at power-up
DARK = Question(UNIT, 6, 4, values=(0,))


@pytest_asyncio.fixture(params=["drive", "drive_tcp"])
async def line(request: pytest.FixtureRequest, drive_bench: SimulatedBench) -> AsyncIterator[tuple[ModbusLink, str]]:
    link = rtu_link(drive_bench) if request.param == "drive" else tcp_link(drive_bench)
    await link.open()
    await link.ask(MODEL)  # the first contact has an echo before it
    yield link, request.param
    await link.close()


@pytest_asyncio.fixture
async def serial(drive_bench: SimulatedBench) -> AsyncIterator[ModbusRtu]:
    link = rtu_link(drive_bench)
    await link.open()
    await link.ask(MODEL)
    yield link
    await link.close()


def written(frames: tuple[FrameLog, ...] | Any, function: int) -> int:
    """How many questions of this function went out."""
    return sum(frame.direction == "out" and function in (frame.data[1], *frame.data[7:8]) for frame in frames)


async def registers(link: ModbusLink, question: Question) -> list[int]:
    found: list[int] = (await link.ask(question)).registers
    return found


@pytest.mark.stack
async def test_fault_27_a_late_answer_is_not_taken_for_the_next(
    line: tuple[ModbusLink, str], drive_bench: SimulatedBench
) -> None:
    """Both questions are of one register, and their answers look alike on a serial line."""
    link, who = line
    unit = Unit("drive", UnitConfig(unit_id=UNIT), link)
    missed = 0
    for late_s in (0.25, 0.35, 0.5):
        await drive_bench.fault(who, "late", n=1, s=late_s)
        try:
            assert await registers(link, SPEED) == [1000]  # of a loop that was held up itself it is waited for
        except LinkTimeout:
            missed += 1
        reply, _ = await unit.ask_again(LEVEL)
        assert reply.registers == [0], late_s
        reply, _ = await unit.ask_again(SPEED)
        assert reply.registers == [1000], late_s
    assert missed


@pytest.mark.stack
async def test_fault_27_late_answers_of_many_are_told_apart(
    line: tuple[ModbusLink, str], drive_bench: SimulatedBench
) -> None:
    link, who = line
    await drive_bench.fault(who, "late", n=1, s=0.5)
    unit = Unit("drive", UnitConfig(unit_id=UNIT), link)
    for _ in range(4):
        reply, _ = await unit.ask_again(SPEED)
        assert reply.registers == [1000]
        reply, _ = await unit.ask_again(LEVEL)
        assert reply.registers == [0]


async def test_fault_24_late_answers_and_the_one_wanted_may_come_at_once() -> None:
    """As where the computer was busy while they came one after the other."""
    held, owed, count = bytearray(), bytearray(), 0

    def answer(peer: PtyPeer, data: bytes) -> None:
        nonlocal count
        held.extend(data)
        if len(held) < 8:
            return
        count += 1
        owed.extend(held if held[1] == 8 else rtu(held[0], bytes((held[1], 2, 0, held[3]))))
        held.clear()
        if count != 2:  # the second one is missed, and comes with the echo after it
            peer.send(bytes(owed))
            owed.clear()

    with PtyPeer(answer) as peer:
        link = ModbusRtu.create("bus", ModbusRtu.Config(port=peer.path, parity="none", timeout_s=0.3))
        await link.open()
        with pytest.raises(LinkTimeout):
            await link.ask(Question(5, 3, 1, count=1))
        assert await registers(link, Question(5, 3, 2, count=1)) == [2]
        assert written(link.recent, 8) == 2
        await link.close()


@pytest.mark.stack
@pytest.mark.parametrize("fault", ["drop", "corrupt", "cut", "split"])
async def test_faults_24_26_31_a_read_is_asked_again(
    serial: ModbusRtu, drive_bench: SimulatedBench, fault: str
) -> None:
    link = serial
    unit = Unit("drive", UnitConfig(unit_id=UNIT), link)
    await drive_bench.fault("drive", fault, n=1)
    async with lively_loop():
        reply, _ = await unit.ask_again(MODEL)
    assert reply.registers == [0x4D31]


@pytest.mark.stack
@pytest.mark.parametrize("fault", ["drop", "corrupt"])
async def test_fault_31_a_write_is_not_sent_twice(serial: ModbusRtu, drive_bench: SimulatedBench, fault: str) -> None:
    link = serial
    await drive_bench.fault("drive", fault, n=1)
    with pytest.raises((LinkTimeout, LinkGarbled)) as missed:
        await link.ask(DARK)
    assert written(missed.value.frames, 6) == 1
    assert written(link.recent, 6) == 1


@pytest.mark.stack
async def test_fault_25_endless_garbage_ends_at_one_deadline(serial: ModbusRtu, drive_bench: SimulatedBench) -> None:
    link = serial
    await drive_bench.fault("drive", "silence", s=30)
    await drive_bench.fault("drive", "garbage", s=30)
    began = asyncio.get_running_loop().time()
    async with lively_loop():
        with pytest.raises((LinkTimeout, LinkGarbled)):
            await link.ask(MODEL)
    assert asyncio.get_running_loop().time() - began < 3 * link.timeout_s


@pytest.mark.stack
async def test_fault_33_at_a_wrong_baud_rate_it_says_what_to_check(
    serial: ModbusRtu, drive_bench: SimulatedBench
) -> None:
    link = serial
    await drive_bench.fault("drive", "wrong_baud", s=30)
    with pytest.raises((LinkTimeout, LinkGarbled)) as missed:
        await link.ask(MODEL)
    assert "baud rate" in missed.value.advice
    await drive_bench.fault("drive", "clear")
    assert await registers(link, MODEL) == [0x4D31]


@pytest.mark.stack
async def test_fault_31_a_refusal_says_why_and_is_not_repeated(
    line: tuple[ModbusLink, str], drive_bench: SimulatedBench
) -> None:
    link, _ = line
    await drive_bench.fault("drive", "refuse", code=4, n=1)
    with pytest.raises(ModbusRefused, match="server device failure") as refused:
        await link.ask(DARK)
    assert refused.value.exception == 4
    await link.ask(DARK)
    with pytest.raises(ModbusRefused, match="illegal data address") as refused:
        await link.ask(Question(UNIT, 3, 400, count=1))
    assert "counts from 0" in refused.value.advice


@pytest.mark.stack
async def test_who_gives_up_before_his_turn_has_sent_nothing(serial: ModbusRtu) -> None:
    link = serial
    reading = [asyncio.create_task(link.ask(MODEL)) for _ in range(3)]
    writing = asyncio.create_task(link.ask(Question(UNIT, 6, 4, values=(1000,))))
    await asyncio.sleep(0)
    writing.cancel()
    await asyncio.gather(*reading)
    assert writing.cancelled()
    assert await registers(link, Question(UNIT, 3, 4, count=1)) == [0]
    assert written(link.recent, 6) == 0


@pytest.mark.stack
async def test_a_stop_waits_for_no_more_than_the_question_under_way(serial: ModbusRtu) -> None:
    link = serial
    waiting = [asyncio.create_task(link.ask(MODEL)) for _ in range(8)]
    await asyncio.sleep(0.002)
    await link.ask(Question(UNIT, 6, 3, values=(2,)), first=True)
    assert sum(task.done() for task in waiting) <= 1
    assert [frame.data[1] for frame in link.recent if frame.direction == "out"][-2:] == [4, 6]
    await asyncio.gather(*waiting)
    link.urgent(bytes.fromhex("11 06 00 03 00 02"))
    await link.ask(MODEL)
    assert [frame.data[1] for frame in link.recent if frame.direction == "out"][-2:] == [6, 4]


async def test_turns_pass_to_the_first_and_then_in_order() -> None:
    turns, order = Turns(), []

    async def take(name: str, first: bool) -> None:
        async with turns.turn(first=first):
            order.append(name)
            await asyncio.sleep(0)

    async with turns.turn(first=False):
        tasks = [asyncio.create_task(take(name, name[0] == "s")) for name in ("a", "b", "stop", "c", "stop too")]
        await asyncio.sleep(0)
        tasks[1].cancel()
        await asyncio.sleep(0)
    await asyncio.gather(*tasks, return_exceptions=True)
    assert order == ["stop", "stop too", "a", "c"]
    async with asyncio.timeout(1.0), turns.turn(first=False):
        pass


async def test_a_turn_that_was_given_and_not_wanted_any_more_is_passed_on() -> None:
    turns = Turns()
    async with turns.turn(first=False):
        waits = asyncio.create_task(turns._wait(turns._others))
        await asyncio.sleep(0)
    waits.cancel()
    await asyncio.wait({waits})
    async with asyncio.timeout(1.0), turns.turn(first=False):
        pass


@pytest.mark.stack
async def test_fault_21_the_wrong_device_is_refused(serial: ModbusRtu, drive_bench: SimulatedBench) -> None:
    link = serial
    await drive_bench.fault("drive", "model", value=1234)
    with pytest.raises(DeviceMismatch, match=r"tells 1234 .* has 19761"):
        await modbus_meter(link).open()


async def test_a_port_that_is_not_there_and_a_link_that_is_not_open() -> None:
    link = ModbusRtu.create("bus", ModbusRtu.Config(port="/dev/no-such-port"))
    with pytest.raises(LinkError, match="cannot be opened"):
        await link.open()
    with pytest.raises(LinkError):
        await link.ask(MODEL)
    with pytest.raises(LinkError):
        link.urgent(bytes.fromhex("11 06 00 03 00 02"))
    await link.close()


async def test_questions_that_are_not_spoken_are_refused() -> None:
    for wrong in ("11 2B 0E 01 00 00", "11 03 00", "11 05 00 00 12 34", "11 10 00 01 00 02 04 00 0A"):
        with pytest.raises(ValueError, match=r"spoken here|at least"):
            Question.of_bytes(bytes.fromhex(wrong))


def foreign(values: list[Any], kind: str, order: str = "big") -> Any:
    """A device of the client library's own server, unit 5, with values from holding register 100 on."""
    from pymodbus.simulator import DataType, SimData, SimDevice

    return SimDevice(
        5,
        [
            SimData(100, values=values, datatype=getattr(DataType, kind)),
            SimData(200, count=8, datatype=DataType.REGISTERS),
        ],
    )


@pytest.mark.parametrize("over", [foreign_tcp, foreign_rtu])
async def test_a_meter_on_the_librarys_own_server(over: Any) -> None:
    """Another hand's framing, checksum and types."""
    async with over(foreign([-123456], "INT32")) as link, lively_loop():
        keys = {"unit_id": 5, "quantity": "height", "unit": "mm", "scale": 0.001}
        value = {"address": 100, "type": "int32", "words": "high_first"}
        meter = ModbusMeter.create("height", ModbusMeter.Config(**keys, value=value), link)
        await meter.open()
        assert (await meter.read()).value == pytest.approx(-123.456)
        await link.ask(Question(5, 16, 200, values=(1, 0xFFFF)))
        await link.ask(Question(5, 6, 202, values=(7,)))
        assert await registers(link, Question(5, 3, 200, count=3)) == [1, 0xFFFF, 7]
        with pytest.raises(ModbusRefused, match="illegal data address"):
            await link.ask(Question(5, 3, 5000, count=1))
        echo = bytes.fromhex("05 08 00 00 A5 37")
        assert await link.query(echo, lambda got: slice(0, len(got)), 1.0) == echo


async def test_what_is_no_number_and_what_is_out_of_range() -> None:
    async with foreign_tcp(foreign([float("nan"), 21.5], "FLOAT32")) as link:
        keys: dict[str, Any] = {"unit_id": 5, "quantity": "temperature", "unit": "degC", "low": -20, "high": 20}
        number = {"type": "float32", "words": "high_first"}
        broken = ModbusMeter.create("air", ModbusMeter.Config(**keys, value={"address": 100, **number}), link)
        with pytest.raises(Implausible, match="no number"):
            await broken.read()
        assert (await broken.health()).code == "implausible"
        warm = ModbusMeter.create("air", ModbusMeter.Config(**keys, value={"address": 102, **number}), link)
        assert (await warm.read()).quality == "bad"
        assert (await warm.health()).code == "out_of_range"
