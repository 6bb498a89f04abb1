"""A ring on a Modbus drive: told in degrees, beside the carriage on one line, and refused where a key cannot be."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from pydantic import ValidationError

from benchd.devices import DeviceMismatch, MotionFailed
from benchd.testing.leaks import no_leaks
from benchd_drivers.modbus_axis import ModbusAxis, ModbusRotary
from benchd_drivers.modbus_link import ModbusTcp
from tests.drivers.conftest import SimulatedBench
from tests.drivers.drive import AXIS, RING, UNIT, modbus_axis, modbus_ring, tcp_link

__all__ = ["no_leaks"]

ON_THE_LINE = pytest.mark.stack


@pytest_asyncio.fixture
async def line(drive_bench: SimulatedBench) -> AsyncIterator[ModbusTcp]:
    link = tcp_link(drive_bench)
    await link.open()
    yield link
    await link.close()


@pytest_asyncio.fixture
async def ring(line: ModbusTcp) -> AsyncIterator[ModbusRotary]:
    ring = modbus_ring(line)
    await ring.open()
    await ring.home()
    yield ring
    await ring.close()


@pytest_asyncio.fixture
async def stage(line: ModbusTcp) -> AsyncIterator[ModbusAxis]:
    stage = modbus_axis(line)
    await stage.open()
    await stage.home()
    yield stage
    await stage.close()


@ON_THE_LINE
async def test_what_it_refuses_and_tells_is_in_degrees(ring: ModbusRotary, drive_bench: SimulatedBench) -> None:
    assert (ring.spec.unit, ring.spec.low, ring.spec.high, ring.spec.resolution) == ("deg", 0, 290, 0.005)
    with pytest.raises(MotionFailed, match="300 ° is outside the travel of 0 to 290 °"):
        await ring.move_to(300, 60)
    with pytest.raises(MotionFailed, match=r"0\.001 °/s is slower than the drive goes, 0\.005 °/s"):
        await ring.move_to(10, 0.001)
    await ring.move_to(20, 60)
    assert (await ring.read()).unit == "deg"
    turned = [(await drive_bench.truth())["setup"]["ring"]["turned_deg"]]
    await ring.move_to(70, 60)
    turned.append((await drive_bench.truth())["setup"]["ring"]["turned_deg"])
    assert turned[1] - turned[0] == pytest.approx(50, abs=0.01), "from one side, so that the gear's play falls out"
    await drive_bench.fault("drive", "trip", unit=UNIT + 1)
    assert (await ring.read()).quality == "suspect"
    with pytest.raises(MotionFailed, match="not homed: the drive reports a fault"):
        await ring.move_to(10, 60)


@ON_THE_LINE
async def test_carriage_and_ring_move_at_once_and_a_stop_is_that_of_one(stage: ModbusAxis, ring: ModbusRotary) -> None:
    """Each has a drive of its own: nothing waits in a queue for the other's end."""
    await stage.move_to(1000, 4000)
    turning = asyncio.create_task(ring.move_to(250, 60))
    moving = asyncio.create_task(stage.move_to(28_000, 4000))
    while (await ring.read()).value < 20 or (await stage.read()).value < 2000:  # noqa: ASYNC110 - there is no event
        await asyncio.sleep(0.005)
    await ring.stop()
    with pytest.raises(MotionFailed, match="stop"):
        await turning
    assert (await ring.read()).value < 250
    await moving
    assert (await stage.read()).value == pytest.approx(28_000, abs=1)
    assert stage.homed
    assert ring.homed


@ON_THE_LINE
async def test_counts_that_grow_the_other_way(line: ModbusTcp) -> None:
    """The ring reads 290 where the drive homes, and 0 at the drive's far end."""
    ring = modbus_ring(line, deg_per_count=-0.005, zero_at=58_000)
    await ring.open()
    await ring.home()
    assert (await ring.read()).value == pytest.approx(290, abs=0.01)
    await ring.move_to(280, 60)
    assert (await ring.read()).value == pytest.approx(280, abs=0.01)
    await ring.close()


@ON_THE_LINE
async def test_the_carriages_drive_is_no_rings(line: ModbusTcp) -> None:
    ring = modbus_ring(line, unit_id=UNIT)
    with pytest.raises(DeviceMismatch):
        await ring.open()


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"travel_deg": [5, 5]}, "travel_deg: the first value must be below"),
        ({"home_search_deg": 33}, "length of travel_deg.*330 is meant"),
        ({"deg_per_count": 0}, "must not be 0"),
        ({"target": {"address": 0, "type": "int16"}}, "290 deg is count 58000, which does not go into int16"),
        ({"speed_deg_s_per_count": 0.0001}, "top_speed_deg_s: it is count 600000, which does not go into uint16"),
        ({"speed_deg_s_per_count": 100}, "top_speed_deg_s: less than one count"),
        ({"positive": "deeper"}, "Extra inputs"),
        ({"um_per_count": 0.5}, "Extra inputs"),
        ({"stop": {"address": 3, "value": 1}}, "the same as move"),
    ],
)
def test_keys_that_cannot_be_are_refused(keys: dict[str, Any], why: str) -> None:
    with pytest.raises(ValidationError, match=why):
        ModbusRotary.Config(**{**RING, **keys})


def test_keys_of_the_one_kind_are_none_of_the_other() -> None:
    with pytest.raises(ValidationError, match="travel_deg"):
        ModbusAxis.Config(**{**AXIS, "travel_deg": [0, 290]})
