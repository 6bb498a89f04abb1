"""The Modbus light beyond its contract: what a missed answer, a refusal or a change of mind leaves behind.

Tests of faults carry the number that the fault has in the list of faults a bench survives.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from pydantic import ValidationError

from benchd.devices import DeviceError, LinkError
from benchd.testing.leaks import no_leaks
from benchd_drivers.modbus_asker import ModbusRefused
from benchd_drivers.modbus_light import ModbusLight
from benchd_drivers.modbus_question import Question
from tests.drivers.conftest import SimulatedBench
from tests.drivers.drive import UNIT, modbus_light, rtu_link
from tests.drivers.modbus_ends import foreign_rtu, foreign_tcp
from tests.drivers.test_modbus_line import foreign

__all__ = ["no_leaks"]


@pytest_asyncio.fixture
async def lamp(drive_bench: SimulatedBench) -> AsyncIterator[ModbusLight]:
    link = rtu_link(drive_bench)
    await link.open()
    light = modbus_light(link)
    await light.open()
    yield light
    await light.close()
    await link.close()


@pytest.mark.stack
@pytest.mark.parametrize("fault", ["drop", "corrupt", "late"])
async def test_faults_26_27_31_a_missed_answer_is_asked_for_again(
    lamp: ModbusLight, drive_bench: SimulatedBench, fault: str
) -> None:
    await drive_bench.fault("drive", fault, n=1, s=0.25)
    await lamp.set_level(0.7)
    assert await lamp.level() == pytest.approx(0.7)
    assert (await lamp.health()).state == "ok"


@pytest.mark.stack
async def test_fault_30_it_obeys_in_silence_and_is_not_left_lit(lamp: ModbusLight, drive_bench: SimulatedBench) -> None:
    await lamp.set_level(0.2)
    await drive_bench.fault("drive", "silence", s=30)
    with pytest.raises(LinkError) as missed:
        await lamp.set_level(0.9)
    assert missed.value.code == "timeout"
    health = await lamp.health()
    assert health.state == "fault"
    assert "not known" in health.text
    await drive_bench.fault("drive", "clear")
    assert await lamp.level() == pytest.approx(0.2), "taken back, though nobody heard of it"


@pytest.mark.stack
async def test_a_refused_level_leaves_the_one_before(lamp: ModbusLight, drive_bench: SimulatedBench) -> None:
    await lamp.set_level(0.2)
    await drive_bench.fault("drive", "refuse", code=4, n=1)
    with pytest.raises(ModbusRefused, match="server device failure"):
        await lamp.set_level(0.9)
    assert await lamp.level() == pytest.approx(0.2)
    assert (await lamp.health()).state == "degraded"


@pytest.mark.stack
async def test_going_dark_overtakes_and_voids_what_waits(lamp: ModbusLight) -> None:
    link = lamp._unit.link
    waiting = [asyncio.create_task(link.ask(Question(UNIT, 4, 6, count=1))) for _ in range(5)]
    lit = asyncio.create_task(lamp.set_level(1.0))
    await asyncio.sleep(0)
    await lamp.set_level(0.0)
    assert not all(task.done() for task in waiting), "it waited for its turn"
    with pytest.raises(DeviceError, match="go dark meanwhile"):
        await lit
    await asyncio.gather(*waiting)
    assert await lamp.level() == 0.0


@pytest.mark.stack
async def test_a_level_given_up_on_the_line_is_taken_back(lamp: ModbusLight, drive_bench: SimulatedBench) -> None:
    await lamp.set_level(0.3)
    await drive_bench.fault("drive", "late", n=1, s=0.1)
    lit = asyncio.create_task(lamp.set_level(1.0))
    await asyncio.sleep(0.03)
    lit.cancel()
    await asyncio.wait({lit})
    assert lit.cancelled()
    assert await lamp.level() == pytest.approx(0.3)


@pytest.mark.stack
async def test_closed_it_is_at_its_safe_level(drive_bench: SimulatedBench) -> None:
    link = rtu_link(drive_bench)
    await link.open()
    light = modbus_light(link, safe_level=0.05)
    await light.open()
    await light.set_level(1.0)
    await light.close()
    assert (await link.ask(Question(UNIT, 3, 4, count=1))).registers == [50]
    await link.close()


@pytest.mark.parametrize("over", [foreign_tcp, foreign_rtu])
async def test_on_the_librarys_own_server(over: Any) -> None:
    """A level of two words, and read back at another place."""
    async with over(foreign([0], "UINT32")) as link:
        register = {"address": 100, "type": "uint32", "words": "high_first"}
        light = ModbusLight.create("lamp", ModbusLight.Config(unit_id=5, level=register, full=100_000), link)
        await light.open()
        await light.set_level(0.75)
        assert (await link.ask(Question(5, 3, 100, count=2))).registers == [1, 75_000 - 65_536]
        assert await light.level() == 0.75
        elsewhere = ModbusLight.Config(unit_id=5, level=register, full=1000, told={"address": 200})
        await link.ask(Question(5, 6, 200, values=(250,)))
        assert await ModbusLight.create("lamp", elsewhere, link).level() == 0.25


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"full": 70_000}, "does not go into uint16"),
        ({"level": {"address": 4, "type": "float32", "words": "high_first"}}, "a whole number"),
        ({"full": 0}, "greater than or equal to 1"),
        ({"safe_level": 1.1}, "less than or equal to 1"),
        ({"least": 0.1}, "Extra inputs"),
    ],
)
def test_keys_that_cannot_be_are_refused(keys: dict[str, Any], why: str) -> None:
    with pytest.raises(ValidationError, match=why):
        ModbusLight.Config(**{"unit_id": 5, "level": {"address": 4}, "full": 1000, **keys})
