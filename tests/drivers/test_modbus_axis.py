"""The Modbus axis where something goes wrong: nothing moves unasked, and what surprises costs the position.

Tests of faults carry the number that the fault has in the list of faults a bench survives.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Coroutine
from typing import Any

import pytest
import pytest_asyncio
from pydantic import ValidationError

from benchd.devices import DeviceError, HomeFailed, LinkError, MotionFailed, Surprise
from benchd.testing.leaks import no_leaks
from benchd_drivers.modbus_axis import ModbusAxis
from benchd_drivers.modbus_link import ModbusRtu
from benchd_drivers.modbus_question import Question
from tests.drivers.conftest import SimulatedBench
from tests.drivers.drive import AXIS, UNIT, modbus_axis, rtu_link, tcp_link
from tests.drivers.toll import Toll, toll

__all__ = ["no_leaks"]
pytestmark = pytest.mark.stack

GO, STOP, HOME = (bytes.fromhex(f"06 00 03 00 0{command}") for command in (1, 2, 3))
TARGET = bytes.fromhex("10 00 00")


@pytest_asyncio.fixture
async def way(drive_bench: SimulatedBench) -> AsyncIterator[Toll]:
    async with toll(drive_bench.ports["drive_tcp"]) as made:
        yield made


@pytest_asyncio.fixture
async def stage(drive_bench: SimulatedBench, way: Toll) -> AsyncIterator[ModbusAxis]:
    """Homed, at 5 mm, over TCP; the drive's serial line is free for others."""
    link = tcp_link(drive_bench, url=way.url)
    await link.open()
    axis = modbus_axis(link)
    await axis.open()
    await axis.home()
    await axis.move_to(5000, 4000)
    way.asked.clear()
    yield axis
    await axis.close()
    await link.close()


@pytest_asyncio.fixture
async def other(drive_bench: SimulatedBench) -> AsyncIterator[ModbusRtu]:
    """Somebody else's line to the same drive."""
    link = rtu_link(drive_bench, timeout_s=2.0)
    await link.open()
    yield link
    await link.close()


async def sent_by_hand(link: ModbusRtu, target_um: float) -> None:
    """Set the drive off from elsewhere."""
    counts = int(target_um * 2)
    await link.ask(Question(UNIT, 16, 0, values=(counts >> 16, counts & 0xFFFF)))
    await link.ask(Question(UNIT, 6, 2, values=(8000,)))
    await link.ask(Question(UNIT, 6, 3, values=(1,)))


async def place(link: ModbusRtu) -> tuple[bool, float]:
    """Whether the drive moves, and where it is, as it tells others."""
    said = (await link.ask(Question(UNIT, 4, 0, count=3))).registers
    return bool(said[0] & 1), ((said[1] << 16) + said[2]) / 2


async def rested(link: ModbusRtu) -> float:
    moving, at_um = await place(link)
    assert not moving
    await asyncio.sleep(0.15)
    assert await place(link) == (False, at_um)
    return at_um


MOTIONS: dict[str, Callable[[ModbusAxis], Coroutine[None, None, Any]]] = {
    "move": lambda axis: axis.move_to(29_000, 2000),
    "home": lambda axis: axis.home(),
    "jog": lambda axis: axis.jog(2000, 9000),
}


class Told:
    """What the axis is surprised by, from now on."""

    def __init__(self, axis: ModbusAxis) -> None:
        self.kinds: list[str] = []
        self._surprises = axis.surprises()
        self._task = asyncio.create_task(self._listen())

    async def _listen(self) -> None:
        async for surprise in self._surprises:
            assert isinstance(surprise, Surprise)
            self.kinds.append(surprise.kind)

    async def end(self) -> list[str]:
        await asyncio.sleep(0.01)
        self._task.cancel()
        await asyncio.wait({self._task})
        return self.kinds


async def under_way(axis: ModbusAxis, target: float = 25_000, speed: float = 4000) -> asyncio.Task[float]:
    move = asyncio.create_task(axis.move_to(target, speed))
    while (await axis.read()).value < 6000:
        assert not move.done()
        await asyncio.sleep(0.005)
    return move


# ---- what is not heard


async def test_fault_28_a_lost_answer_to_go_is_not_asked_again(stage: ModbusAxis, way: Toll, other: ModbusRtu) -> None:
    """It may have been heard, and was: the axis is stopped."""
    way.unanswered[GO] = 1
    with pytest.raises(LinkError) as missed:
        await stage.move_to(25_000, 4000)
    assert missed.value.code == "timeout"
    assert way.count(GO) == 1
    assert way.count(STOP) >= 1
    assert 5000 < await rested(other) < 24_000
    assert stage.homed, "a stop that was seen to work costs nothing"


@pytest.mark.parametrize("lost", [TARGET, bytes.fromhex("06 00 02")])
async def test_a_lost_answer_before_go_sets_nothing_off(
    stage: ModbusAxis, way: Toll, other: ModbusRtu, lost: bytes
) -> None:
    way.unanswered[lost] = 1
    with pytest.raises(LinkError):
        await stage.move_to(25_000, 4000)
    assert way.count(GO) == 0
    assert way.count(lost) == 1
    assert await rested(other) == 5000


async def test_a_stop_between_target_and_go_voids_the_move(stage: ModbusAxis, way: Toll, other: ModbusRtu) -> None:
    way.held_s[TARGET] = 0.1
    move = asyncio.create_task(stage.move_to(25_000, 4000))
    while way.count(TARGET) == 0:  # noqa: ASYNC110 - there is no event to wait for
        await asyncio.sleep(0.002)
    await stage.stop()
    with pytest.raises(MotionFailed, match="broken off by a stop"):
        await move
    assert way.count(GO) == 0
    assert await rested(other) == 5000


async def test_a_stop_comes_before_what_others_ask_on_the_line(stage: ModbusAxis, way: Toll) -> None:
    move = await under_way(stage)
    link = stage._drive.link
    waiting = [asyncio.create_task(link.ask(Question(UNIT, 4, 6, count=1))) for _ in range(20)]
    await asyncio.sleep(0)
    before = len(way.asked)
    await stage.stop()
    await asyncio.gather(*waiting)
    assert STOP in way.asked[before : before + 3], "behind the one under way, and at most one that had its turn"
    await asyncio.wait({move})


async def test_fault_18b_a_stop_without_an_answer_is_written_again(
    stage: ModbusAxis, way: Toll, other: ModbusRtu
) -> None:
    move = await under_way(stage)
    way.swallowed[STOP] = 1  # the drive has not heard it
    way.unanswered[STOP] = 1
    await stage.stop()
    assert way.count(STOP) >= 2
    assert await rested(other) < 24_000
    with pytest.raises(MotionFailed, match="stop"):
        await move
    assert stage.homed


async def test_a_go_that_does_nothing_is_no_move(stage: ModbusAxis, way: Toll) -> None:
    way.swallowed[GO] = 1
    with pytest.raises(MotionFailed, match=r"at rest at 5000\.0 µm, but was sent to 25000\.0"):
        await stage.move_to(25_000, 4000)


async def test_a_flag_of_before_is_not_the_end_of_homing(stage: ModbusAxis, way: Toll) -> None:
    way.swallowed[HOME] = 1
    with pytest.raises(HomeFailed, match="did not begin"):
        await stage.home()
    assert not stage.homed


async def test_fault_30_silent_but_obeying_it_is_stopped_and_not_trusted(
    stage: ModbusAxis, drive_bench: SimulatedBench, way: Toll, other: ModbusRtu
) -> None:
    told = Told(stage)
    move = await under_way(stage, speed=1000)  # 5 mm in the second for which silence is borne
    await drive_bench.fault("drive_tcp", "silence", s=30)
    began = time.monotonic()
    with pytest.raises(DeviceError):
        await move
    assert time.monotonic() - began < stage.rests_within_s
    assert way.count(STOP) >= 1
    assert await rested(other) < 24_000
    assert not stage.homed
    assert await told.end() == ["link"]
    await drive_bench.fault("drive_tcp", "clear")
    with pytest.raises(MotionFailed, match="not homed"):
        await stage.move_to(5000, 4000)


async def test_some_answers_lost_on_the_way_do_not_end_a_move(stage: ModbusAxis, way: Toll) -> None:
    move = await under_way(stage, 25_000, 2000)
    way.unanswered[bytes.fromhex("04 00 00")] = 3
    await move
    assert (await stage.read()).value == pytest.approx(25_000, abs=1)
    assert way.count(GO) == 1


# ---- what the drive refuses, or reports


async def test_fault_31_a_refused_move_moves_nothing(
    stage: ModbusAxis, drive_bench: SimulatedBench, other: ModbusRtu
) -> None:
    await drive_bench.fault("drive", "refuse", code=6, n=1)
    with pytest.raises(MotionFailed, match=r"refuses the move.*server device busy"):
        await stage.move_to(25_000, 4000)
    assert await rested(other) == 5000
    assert stage.homed
    await stage.move_to(6000, 4000)


async def test_a_refused_stop_is_written_again(stage: ModbusAxis, drive_bench: SimulatedBench, way: Toll) -> None:
    move = await under_way(stage)
    await drive_bench.fault("drive", "refuse", code=6, n=2)
    await stage.stop()
    assert way.count(STOP) >= 3
    assert (await stage.read()).value < 24_000
    await asyncio.wait({move})


@pytest.mark.parametrize(
    ("fault", "kind", "why"),
    [
        ({"who": "drive", "what": "trip"}, "disabled", "fault"),
        ({"who": "drive", "what": "power_up"}, "reset", "homed no more"),
        ({"who": "world", "what": "switch_stuck", "value": True}, "limit", "limit switch"),
    ],
)
async def test_faults_5_11_a_surprise_in_a_move(
    stage: ModbusAxis, drive_bench: SimulatedBench, other: ModbusRtu, fault: dict[str, Any], kind: str, why: str
) -> None:
    told = Told(stage)
    move = await under_way(stage)
    await drive_bench.fault(**fault)
    with pytest.raises(MotionFailed, match=why) as caught:
        await move
    assert "Inspect" in caught.value.advice
    await rested(other)
    assert not stage.homed
    assert await told.end() == [kind]
    assert (await stage.health()).state == "fault"


@pytest.mark.parametrize(("what", "kind"), [("trip", "disabled"), ("power_up", "reset")])
async def test_a_surprise_at_rest_is_seen_by_whoever_reads(
    stage: ModbusAxis, drive_bench: SimulatedBench, what: str, kind: str
) -> None:
    told = Told(stage)
    await drive_bench.fault("drive", what)
    assert (await stage.read()).quality == "suspect"
    assert not stage.homed
    assert await told.end() == [kind]


async def test_motion_that_nobody_asked_for_costs_the_position(stage: ModbusAxis, other: ModbusRtu) -> None:
    told = Told(stage)
    await sent_by_hand(other, 20_000)
    await asyncio.sleep(0.1)
    await stage.read()
    assert not stage.homed
    assert await told.end() == ["reset"]
    await stage.stop()


async def test_fault_11_another_place_at_rest_costs_the_position(stage: ModbusAxis, other: ModbusRtu) -> None:
    await stage.read()
    await sent_by_hand(other, 5100)
    await asyncio.sleep(0.4)
    assert (await stage.read()).quality == "suspect"
    assert "went from 5000.0 to 5100.0" in (await stage.health()).text


# ---- homing


@pytest.mark.parametrize("what", ["switch_never", "switch_stuck"])
async def test_faults_1_3_homing_that_fails_is_bounded_and_can_be_tried_again(
    stage: ModbusAxis, drive_bench: SimulatedBench, other: ModbusRtu, what: str
) -> None:
    await drive_bench.fault("world", what, value=True)
    with pytest.raises(HomeFailed):
        await stage.home()
    assert not stage.homed
    await rested(other)
    await drive_bench.fault("world", what, value=False)
    await stage.home()  # the fault is cleared by the command for it
    assert stage.homed


async def test_fault_1_the_search_is_stopped_at_its_distance(
    drive_bench: SimulatedBench, stage: ModbusAxis, other: ModbusRtu
) -> None:
    await stage.move_to(29_000, 4000)
    await stage.close()
    near = modbus_axis(stage._drive.link, travel_um=[0, 5000], home_search_um=5000)
    await near.open()
    await drive_bench.fault("world", "switch_never", value=True)
    with pytest.raises(HomeFailed, match="within the search distance"):
        await near.home()
    assert 15_000 < await rested(other) < 24_000
    await near.close()


async def test_a_fault_that_no_command_clears_is_told(stage: ModbusAxis, drive_bench: SimulatedBench) -> None:
    await stage.close()
    plain = modbus_axis(stage._drive.link, clear=None)
    await plain.open()
    await drive_bench.fault("drive", "trip")
    with pytest.raises(HomeFailed, match="reports a fault") as failed:
        await plain.home()
    assert "`clear`" in failed.value.advice
    await plain.close()


# ---- the beginning, the end, and a change of mind


async def test_opened_in_motion_it_is_stopped(drive_bench: SimulatedBench, stage: ModbusAxis, other: ModbusRtu) -> None:
    await stage.close()
    await sent_by_hand(other, 29_000)
    await stage.open()
    assert await rested(other) < 28_000
    assert not stage.homed, "the drive is, but nobody knows what happened meanwhile"


async def test_closed_in_motion_it_is_stopped(stage: ModbusAxis, other: ModbusRtu) -> None:
    move = await under_way(stage)
    await stage.close()
    assert await rested(other) < 24_000
    with pytest.raises(MotionFailed):
        await move


@pytest.mark.parametrize("begins", ["move", "home", "jog"])
async def test_cancelled_anywhere_it_is_left_at_rest(
    drive_bench: SimulatedBench, stage: ModbusAxis, other: ModbusRtu, begins: str
) -> None:
    for step in range(12):
        if not stage.homed:
            await stage.home()
        await stage.move_to(5000 + step, 4000)
        call: asyncio.Task[Any] = asyncio.create_task(MOTIONS[begins](stage))
        await asyncio.sleep(step * 0.0015)
        was_done = call.done()
        call.cancel()
        async with asyncio.timeout(stage.rests_within_s):
            await asyncio.wait({call})
        if was_done:  # a jog returns at once
            await stage.stop()
        await rested(other)
        assert stage.homed or begins == "home"


async def test_slower_than_the_drive_goes_is_refused(stage: ModbusAxis) -> None:
    with pytest.raises(MotionFailed, match=r"slower than the drive goes, 0\.5"):
        await stage.move_to(6000, 0.4)


# ---- the bench file


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"status": {"address": 0, "type": "int16"}}, "word of flags"),
        ({"fault": {"bit": 16}}, "bit 16 is not in a uint16"),
        ({"limit": [{"bit": 20}]}, "bit 20"),
        ({"homed": {"bit": 0}}, "stands twice"),
        ({"stop": {"address": 3, "value": 1}}, "the same as move"),
        ({"travel_um": [5, 5]}, "first value must be below"),
        ({"home_search_um": 3000}, "length of travel_um"),
        ({"target": {"address": 0, "type": "int16"}}, "count 60000, which does not go into int16"),
        ({"speed_um_s_per_count": 0.01}, "does not go into uint16"),
        ({"speed_um_s_per_count": 5000}, "less than one count"),
        ({"move": None, "home": {"address": 0, "value": 1}}, "taken for one"),
        ({"letter": "Z"}, "Extra inputs"),
        ({"poll_ms": 0}, "greater than or equal to 2"),
    ],
)
def test_keys_that_cannot_be_are_refused(keys: dict[str, Any], why: str) -> None:
    with pytest.raises(ValidationError, match=why):
        ModbusAxis.Config(**{**AXIS, **keys})
