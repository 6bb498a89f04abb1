"""Faults of motion, injected into the simulated bench below the driver; each test carries the number of its fault."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.devices import (
    DeviceError,
    DeviceMismatch,
    HomeFailed,
    LinkError,
    LinkTimeout,
    MotionFailed,
    Surprise,
    line,
    matching,
)
from benchd_drivers.gcode_axis import GcodeAxis
from benchd_drivers.gcode_config import GcodeAxisConfig
from benchd_drivers.gcode_light import GcodeLight
from benchd_drivers.link.port import SerialLink
from tests.drivers.stage import stage_config

if TYPE_CHECKING:
    from tests.drivers.conftest import SimulatedBench

pytestmark = pytest.mark.stack


class Stage:
    """The axis on its link, with the surprises it has told."""

    def __init__(self, bench: SimulatedBench, settings: GcodeAxisConfig) -> None:
        self.bench = bench
        self.link = SerialLink.create("board", SerialLink.Config(port=str(bench.folder / "board"), write_timeout_s=0.3))
        self.axis = GcodeAxis.create("stage", settings, self.link)
        self.surprises: list[Surprise] = []

    async def follow(self) -> None:
        async for surprise in self.axis.surprises():
            self.surprises.append(surprise)

    @property
    def kinds(self) -> list[str]:
        return [surprise.kind for surprise in self.surprises]

    async def home(self, at_um: float = 5000) -> None:
        await self.axis.home()
        await self.axis.move_to(at_um, 4000)

    async def at(self) -> float:
        for _ in range(5):  # a computer that is late itself may let the simulated board be late
            with suppress(LinkTimeout):
                return (await self.axis.read()).value
        return (await self.axis.read()).value

    async def under_way(self, target_um: float = 29000, speed: float = 4000) -> asyncio.Task[float]:
        start = await self.at()
        move = asyncio.create_task(self.axis.move_to(target_um, speed))
        while abs(await self.at() - start) < 500:
            assert not move.done()
            await asyncio.sleep(0.005)
        return move

    async def rested(self) -> float:
        first = await self.at()
        await asyncio.sleep(0.2)
        assert await self.at() == pytest.approx(first, abs=0.5)
        return first


@asynccontextmanager
async def stage_on(bench: SimulatedBench, settings: GcodeAxisConfig) -> AsyncIterator[Stage]:
    stage = Stage(bench, settings)
    await stage.link.open()
    await stage.axis.open()
    following = asyncio.create_task(stage.follow())
    await asyncio.sleep(0)
    try:
        yield stage
    finally:
        await stage.axis.close()
        await asyncio.wait_for(following, 20.0)
        await stage.link.close()


@pytest_asyncio.fixture
async def stage(bench: SimulatedBench) -> AsyncIterator[Stage]:
    async with stage_on(bench, stage_config()) as found:
        yield found


async def test_fault_1_switch_never_trips_stops_at_the_search_distance(bench: SimulatedBench) -> None:
    await bench.fault("board", "homing_reports")
    async with stage_on(bench, stage_config(travel_um=(0, 6000), home_search_um=6000)) as stage:
        await bench.fault("world", "switch_never")
        before = await stage.at()
        with pytest.raises(HomeFailed, match="within the search distance"):
            await stage.axis.home()
        assert not stage.axis.homed
        # The controller alone would search for 46,500 um. At five times the pace 300 ms of a busy computer are 6,000.
        assert before - await stage.rested() < 6000 + 6000


async def test_fault_1_controller_gives_up_by_itself(stage: Stage, bench: SimulatedBench) -> None:
    await bench.fault("world", "switch_never")
    with pytest.raises(HomeFailed, match="not found"):
        await stage.axis.home()
    assert not stage.axis.homed


@pytest.mark.parametrize("pull_off_mm", [1.0, 0.3])
async def test_fault_2_carriage_deep_in_its_switch_is_backed_off(bench: SimulatedBench, pull_off_mm: float) -> None:
    """Driven .45 mm into its switch, to the end stop, by a search that saw none: deeper than a short pull-off."""
    link = SerialLink.create("board", SerialLink.Config(port=str(bench.folder / "board")))
    await link.open()
    await link.query(f"$27={pull_off_mm:.3f}\n".encode(), matching(rb"ok"), 1.0)
    await link.close()
    async with stage_on(bench, stage_config(zero_at=-pull_off_mm)) as stage:
        await bench.fault("world", "switch_never")
        with pytest.raises(HomeFailed):
            await stage.axis.home()
        await bench.fault("world", "switch_never", value=False)
        await stage.axis.home()
        assert stage.axis.homed
        assert await stage.rested() == pytest.approx(0, abs=2)


async def test_fault_2_switch_stuck_from_the_start_is_refused_after_a_bounded_back_off(
    stage: Stage, bench: SimulatedBench
) -> None:
    await bench.fault("world", "switch_stuck")
    before = await stage.at()
    with pytest.raises(HomeFailed, match="stayed active after the pull-off"):
        await stage.axis.home()
    assert await stage.rested() - before < 3500  # three pull-offs
    assert not stage.axis.homed
    with pytest.raises(MotionFailed, match="not homed"):
        await stage.axis.move_to(100, 4000)
    await bench.fault("world", "switch_stuck", value=False)
    await stage.axis.home()
    assert stage.axis.homed


async def test_fault_3_switch_that_sticks_while_homing_is_not_tried_again(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home(5000)
    homing = asyncio.create_task(stage.axis.home())
    await asyncio.sleep(0.05)
    await bench.fault("world", "switch_stuck")
    with pytest.raises(HomeFailed, match="stayed active after the pull-off"):
        await homing
    assert not stage.axis.homed
    first = await stage.rested()
    await asyncio.sleep(0.3)
    assert await stage.at() == pytest.approx(first, abs=0.5)


async def test_fault_5_hard_limit_in_a_move(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    move = await stage.under_way()
    await bench.fault("world", "switch_stuck")
    with pytest.raises(MotionFailed, match="hard limit") as caught:
        await move
    assert "Look at the carriage" in caught.value.advice
    assert not stage.axis.homed
    assert stage.kinds == ["limit"]
    assert "inspection" in stage.surprises[0].text
    await bench.fault("world", "switch_stuck", value=False)
    await stage.axis.home()
    assert stage.axis.homed


async def test_fault_7_refused_move_is_not_made_later(stage: Stage) -> None:
    with pytest.raises(MotionFailed) as caught:
        await stage.axis.move_to(20000, 4000)
    assert caught.value.code == "not_homed"
    await stage.axis.home()
    assert await stage.rested() < 100


async def test_fault_14_buffered_jogs_are_flushed_before_stopped_is_said(stage: Stage) -> None:
    await stage.home()
    for _ in range(8):
        await stage.axis.jog(500, 8000)
    await stage.axis.stop()
    at = await stage.rested()
    assert at < 12000
    assert stage.axis.homed
    await stage.axis.move_to(6000, 4000)
    assert await stage.rested() == pytest.approx(6000, abs=2)


@pytest.mark.parametrize("times", [1, 2])
async def test_fault_18b_lost_jog_cancel_is_sent_again(stage: Stage, bench: SimulatedBench, times: int) -> None:
    await stage.home()
    await stage.axis.jog(1000, 20000)
    await bench.fault("board", "lose", n=times, byte=0x85)
    await bench.fault("board", "lose", n=times, byte=0x85)
    await stage.axis.stop()
    assert await stage.rested() < 20000
    assert stage.axis.homed


@pytest.mark.parametrize("times", [1, 2])
async def test_fault_18b_lost_hold_of_a_move_is_sent_again(stage: Stage, bench: SimulatedBench, times: int) -> None:
    """A hold that was lost and not written again ended in a reset in motion, and cost the position."""
    await stage.home()
    move = await stage.under_way(speed=1000)
    await bench.fault("board", "lose", n=times, byte=ord("!"))
    await stage.axis.stop()
    with pytest.raises(MotionFailed):
        await move
    assert await stage.rested() < 28000
    assert stage.axis.homed
    assert stage.kinds == []


@pytest.mark.parametrize("times", [1, 2])
async def test_fault_18b_lost_reset_at_a_hold_is_written_again(stage: Stage, bench: SimulatedBench, times: int) -> None:
    """What a hold keeps queued goes by a reset. One that was lost is no banner that was lost: it still holds."""
    await stage.home()
    move = await stage.under_way(speed=1000)
    await bench.fault("board", "lose", n=times, byte=0x18)
    await stage.axis.stop()
    with pytest.raises(MotionFailed):
        await move
    assert await stage.rested() < 28000
    assert stage.axis.homed
    await stage.axis.move_to(6000, 4000)
    assert await stage.rested() == pytest.approx(6000, abs=2)


async def test_fault_18b_every_stop_byte_lost_ends_in_a_reset_and_unhomed(stage: Stage, bench: SimulatedBench) -> None:
    """The wire swallows one kind of byte only, so feed holds are swallowed, and the move needs no jog-cancel."""
    await stage.home()
    move = await stage.under_way(speed=1000)
    await bench.fault("board", "lose", n=1000, byte=ord("!"))
    await stage.axis.stop()
    with pytest.raises(MotionFailed):
        await move
    assert await stage.rested() < 28000
    assert not stage.axis.homed
    assert stage.kinds == ["reset"]


async def test_fault_21_swapped_controller_is_not_used(bench: SimulatedBench) -> None:
    await bench.fault("board", "identity", value="9C44")
    link = SerialLink.create("board", SerialLink.Config(port=str(bench.folder / "board")))
    await link.open()
    axis = GcodeAxis.create("stage", stage_config(identity="7A01"), link)
    with pytest.raises(DeviceMismatch, match=r"'7A01'.*'9C44'"):
        await axis.open()
    with pytest.raises(MotionFailed):
        await axis.move_to(100, 100)
    await axis.close()
    await link.close()


async def test_fault_22_banner_in_a_move_is_a_reset(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    move = await stage.under_way()
    await bench.fault("board", "power_up")
    began = time.monotonic()
    with pytest.raises(MotionFailed):
        await move
    assert time.monotonic() - began < 5, "the way would have taken seven seconds"
    assert not stage.axis.homed
    assert stage.kinds == ["reset"]


async def test_fault_22_banner_at_rest_is_a_reset(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    await bench.fault("board", "reset")
    await asyncio.sleep(0.1)
    assert not stage.axis.homed
    assert stage.kinds == ["reset"]


async def test_reset_whose_banner_is_lost_is_seen_by_the_position(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    await stage.axis.read()
    await bench.fault("board", "silence", s=0.1)
    await bench.fault("board", "power_up")
    await asyncio.sleep(0.2)
    await stage.axis.read()
    await asyncio.sleep(0)
    assert not stage.axis.homed
    assert stage.kinds in (["disabled"], ["reset"])
    with pytest.raises(MotionFailed):
        await stage.axis.move_to(100, 1000)


async def test_fault_23_port_that_resets_the_board_is_expected(bench: SimulatedBench) -> None:
    await bench.fault("board", "reset_on_open")
    async with stage_on(bench, stage_config()) as stage:
        await asyncio.sleep(0.1)
        assert stage.kinds == []
        await stage.axis.home()
        assert stage.axis.homed


async def test_fault_25_garbage_in_a_move_ends_bounded(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    move = await stage.under_way()
    await bench.fault("board", "garbage", s=0.5)
    await asyncio.wait({move}, timeout=120)
    assert move.done()
    await bench.fault("board", "clear")
    if move.exception() is None:  # it read the state between the noise
        assert await stage.rested() == pytest.approx(29000, abs=2)
    else:
        assert isinstance(move.exception(), DeviceError)
        await stage.rested()


async def test_noise_in_which_no_report_is_found_stops_the_move(stage: Stage, bench: SimulatedBench) -> None:
    """The controller obeys all the while. Such noise is no silence: it ended the move once, and the axis went on."""
    await stage.home()
    move = await stage.under_way(speed=1000)
    await bench.fault("board", "silence", s=30.0)
    await bench.fault("board", "garbage", s=30.0)
    await asyncio.wait({move}, timeout=120)
    assert isinstance(move.exception(), DeviceError)
    await bench.fault("board", "clear")
    assert await stage.rested() < 28_000


async def test_noise_in_which_no_report_is_found_stops_the_homing(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home(25_000)
    homing = asyncio.create_task(stage.axis.home())
    await asyncio.sleep(0.3)
    await bench.fault("board", "silence", s=30.0)
    await bench.fault("board", "garbage", s=30.0)
    await asyncio.wait({homing}, timeout=120)
    assert isinstance(homing.exception(), DeviceError)
    await bench.fault("board", "clear")
    await stage.rested()
    assert not stage.axis.homed


@pytest.mark.parametrize("n", [1, 2])
async def test_fault_26_corrupted_lines_in_a_move(stage: Stage, bench: SimulatedBench, n: int) -> None:
    """Reports with a flipped bit are dropped, or tell a wrong place for a moment; the move ends at its true target."""
    await stage.home()
    move = await stage.under_way(15000)
    await bench.fault("board", "corrupt", n=n)
    await move
    assert await stage.rested() == pytest.approx(15000, abs=2)


async def test_storm_of_corrupted_lines_ends_bounded(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    move = await stage.under_way(15000)
    await bench.fault("board", "corrupt", n=12)
    await asyncio.wait({move}, timeout=120)
    assert move.done()
    await bench.fault("board", "clear")
    at = await stage.rested()
    assert (move.exception() is None) == (at == pytest.approx(15000, abs=2)) or not stage.axis.homed


async def test_fault_27_late_report_is_not_the_next(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    await bench.fault("board", "late", n=1, s=0.45)
    began = time.monotonic()
    reading = await stage.axis.read()
    assert reading.t_mono > began + 0.3, "the first report was too late; this one was asked for after it"
    await stage.axis.move_to(6000, 4000)
    assert await stage.at() == pytest.approx(6000, abs=2)


@pytest.mark.parametrize("fault", [("split", {"n": 4, "gap_s": 0.01}), ("drop", {"n": 2}), ("cut", {"n": 2})])
async def test_fault_28_ok_in_pieces_or_lost(stage: Stage, bench: SimulatedBench, fault: tuple[str, Any]) -> None:
    await stage.home()
    what, args = fault
    move = asyncio.create_task(stage.axis.move_to(9000, 4000))
    await bench.fault("board", what, **args)
    await move
    assert await stage.rested() == pytest.approx(9000, abs=2)
    assert stage.axis.homed


async def test_fault_29_altered_target_is_seen_by_read_back(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home(1000)
    await bench.fault("board", "alter", **{"from": "8", "to": "7", "n": 1})  # of Z-8, in the board's numbers
    with pytest.raises(MotionFailed, match=r"idle at 6\d\d\d\.\d µm, but was sent to 7000\.0 µm"):
        await stage.axis.move_to(7000, 4000)
    assert stage.axis.homed
    await stage.axis.move_to(7000, 4000)


async def test_fault_30_silent_but_obeying_is_stopped(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    move = await stage.under_way(speed=2000)  # 13 s of the board's: it is stopped long before its goal
    await bench.fault("board", "silence", s=30)
    with pytest.raises((LinkError, MotionFailed)):
        await move
    assert not stage.axis.homed
    assert stage.kinds == ["link"]
    await bench.fault("board", "clear")
    assert await stage.rested() < 29000 - 100


async def test_fault_31_refused_line_is_not_repeated(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    await bench.fault("board", "alter", **{"from": "G", "to": "Q", "n": 1})
    with pytest.raises(MotionFailed, match="does not know"):
        await stage.axis.move_to(9000, 4000)
    assert await stage.rested() == pytest.approx(5000, abs=2)


async def test_fault_34_blocked_port_fails_the_stop_loudly(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    await bench.fault("board", "stall", s=30)
    with pytest.raises(LinkError):
        await stage.link.query(b"x" * 300_000, line(), 3.0)
    with pytest.raises(LinkError):
        stage.axis.stop().send(None)  # before it waits for anything
    assert not stage.axis.homed
    await bench.fault("board", "clear")


async def test_light_waits_for_a_move_and_does_not_disturb_it(stage: Stage) -> None:
    await stage.home()
    lamp = GcodeLight.create("lamp", GcodeLight.Config(), stage.link)
    await lamp.open()
    move = await stage.under_way(15000)
    await lamp.set_level(0.4)
    await move
    assert await lamp.level() == pytest.approx(0.4, abs=0.001)
    assert await stage.rested() == pytest.approx(15000, abs=2)
    await lamp.close()


async def test_fault_29_level_that_was_altered_on_its_way_is_seen_by_read_back(
    stage: Stage, bench: SimulatedBench
) -> None:
    """'ok' says that a line was read, and not which: a light that burns otherwise than asked for was called set."""
    await stage.home()
    lamp = GcodeLight.create("lamp", GcodeLight.Config(), stage.link)
    await lamp.open()
    await bench.fault("board", "alter", **{"from": "4", "to": "9", "n": 1})  # of S400
    await lamp.set_level(0.4)
    assert await lamp.level() == pytest.approx(0.4, abs=0.001)
    await bench.fault("board", "alter", **{"from": "4", "to": "9", "n": 2})
    with pytest.raises(DeviceError, match=r"the output is at 900, but was set to M3 S400"):
        await lamp.set_level(0.4)
    await lamp.close()


async def test_stop_keeps_the_light(stage: Stage) -> None:
    await stage.home()
    lamp = GcodeLight.create("lamp", GcodeLight.Config(), stage.link)
    await lamp.open()
    await lamp.set_level(0.4)
    move = await stage.under_way()
    await stage.axis.stop()
    with pytest.raises(MotionFailed):
        await move
    assert await lamp.level() == pytest.approx(0.4, abs=0.001)
    await lamp.close()
    assert (await stage.axis.health()).state == "ok"


async def test_unexpected_reset_leaves_the_light_dark(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    lamp = GcodeLight.create("lamp", GcodeLight.Config(), stage.link)
    await lamp.open()
    await lamp.set_level(0.4)
    await bench.fault("board", "power_up")
    await asyncio.sleep(0.1)
    assert await lamp.level() == 0.0
    await lamp.close()


async def test_open_finds_a_moving_axis_and_stops_it(stage: Stage) -> None:
    """As after a daemon that was killed: the controller goes on with what it has."""
    await stage.home()
    await stage.link.query(b"G53 G90 G1 Z-30 F240\n", lambda received: slice(0, 0), 1.0)
    await asyncio.sleep(0.1)
    await stage.link.close()
    await stage.link.open()
    await stage.axis.open()
    assert await stage.rested() < 28000
    assert not stage.axis.homed


async def test_door_that_opens_in_a_move_ends_it(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    move = await stage.under_way()
    await bench.fault("board", "open_door")
    with pytest.raises(MotionFailed):
        await move
    assert stage.axis.homed, "it came to rest in good order, and the controller has kept its place"
    await bench.fault("board", "shut_door")
    assert await stage.rested() < 28000
    await stage.axis.move_to(5000, 4000)
    assert await stage.at() == pytest.approx(5000, abs=1)
    assert stage.kinds == []


async def test_commands_are_refused_at_once_while_the_door_is_open(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    lamp = GcodeLight.create("lamp", GcodeLight.Config(), stage.link)
    await lamp.open()
    await lamp.set_level(0.4)
    await bench.fault("board", "open_door")
    asked: list[Callable[[], Awaitable[object]]] = [
        lambda: lamp.set_level(0.3),
        lambda: stage.axis.move_to(8000, 4000),
        lambda: stage.axis.jog(1000, 500),
        stage.axis.home,
    ]
    for command in asked:
        async with asyncio.timeout(120):
            with pytest.raises(DeviceError, match=r"safety door is open \(state Door\)") as refused:
                await command()
        assert refused.value.code == "interlock"
        assert refused.value.advice == "Close it, then try again."
    for device in (lamp, stage.axis):
        await stage.at()  # as the daemon asks all the time
        health = await device.health()
        assert (health.state, health.code) == ("fault", "interlock")
        assert "safety door is open (state Door). Close it" in health.text
    await stage.axis.stop()
    assert stage.axis.homed
    await bench.fault("board", "shut_door")
    await stage.at()
    assert (await lamp.health()).state == "degraded"
    assert await lamp.level() == 0.0
    await stage.axis.move_to(8000, 4000)
    assert await lamp.level() == 0.0, "what an open door darkened nobody has asked for again"
    await lamp.set_level(0.3)
    assert await lamp.level() == pytest.approx(0.3)
    assert (await stage.axis.health()).state == "ok"
    assert stage.kinds == []
    await lamp.close()


async def test_light_that_waits_for_a_motion_is_not_set_after_the_door(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    lamp = GcodeLight.create("lamp", GcodeLight.Config(), stage.link)
    await lamp.open()
    await stage.link.query(b"G53 G90 G1 Z-30 F60\n", lambda received: slice(0, 0), 1.0)  # nobody follows this one
    await asyncio.sleep(0.1)
    waits = asyncio.create_task(lamp.set_level(0.3))
    await asyncio.sleep(0.3)
    assert not waits.done()
    await bench.fault("board", "open_door")
    async with asyncio.timeout(120):
        with pytest.raises(DeviceError, match="safety door is open"):
            await waits
    await bench.fault("board", "shut_door")
    await stage.link.query(b"~", lambda received: slice(0, 0), 1.0)  # somebody presses cycle start
    await asyncio.sleep(0.3)
    assert await lamp.level() == 0.0
    at_um = await stage.rested()
    assert at_um < 20000
    await lamp.close()


async def test_hold_is_named_and_a_stop_lets_it_go(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    lamp = GcodeLight.create("lamp", GcodeLight.Config(), stage.link)
    await lamp.open()
    await stage.link.query(b"G53 G90 G1 Z-30 F240\n", lambda received: slice(0, 0), 1.0)
    await asyncio.sleep(0.1)
    stage.link.urgent(b"!")
    await asyncio.sleep(0.2)
    held_um = await stage.rested()
    for command in (lambda: lamp.set_level(0.3), lambda: stage.axis.move_to(8000, 4000), stage.axis.home):
        async with asyncio.timeout(120):
            with pytest.raises(DeviceError, match=r"is held \(state Hold\)") as refused:
                await command()
        assert "`benchd stop`" in refused.value.advice
    assert (await stage.axis.health()).code == "interlock"
    await stage.axis.stop()
    assert await stage.rested() == pytest.approx(held_um, abs=1)
    await lamp.set_level(0.3)
    await stage.axis.move_to(8000, 4000)
    assert stage.axis.homed
    await lamp.close()


@pytest.mark.parametrize("locked", [False, True])
async def test_open_door_at_contact_is_named(stage: Stage, bench: SimulatedBench, locked: bool) -> None:
    if not locked:
        await stage.home()
    await bench.fault("board", "open_door")
    await stage.axis.close()
    if locked:  # an alarm hears lines, but homes nothing with the door open
        await stage.axis.open()
        with pytest.raises(HomeFailed, match="safety door is open") as failed:
            await stage.axis.home()
        assert failed.value.advice == "Close it, then try again."
    else:
        with pytest.raises(DeviceError, match=r"safety door is open \(state Door\)") as refused:
            await stage.axis.open()
        assert refused.value.code == "interlock"
    await bench.fault("board", "shut_door")
    await stage.axis.open()
    await stage.home()


async def test_moves_shorter_than_a_report_can_tell_are_made(stage: Stage, bench: SimulatedBench) -> None:
    await stage.home()
    for n in range(1, 9):
        await stage.axis.move_to(5000 + 0.5 * n, 4000)
    assert await stage.at() == pytest.approx(5004, abs=0.6)


async def test_work_positions_and_masks_are_understood(stage: Stage) -> None:
    """The controller set to tell work positions, its offset in some reports only."""
    await stage.home()

    async def board(text: bytes) -> None:
        await stage.link.query(text + b"\n", lambda received: slice(0, 0), 1.0)
        await asyncio.sleep(0.05)

    try:
        await board(b"G10 L2 P1 Z2")
        await board(b"$10=0")
        assert await stage.at() == pytest.approx(5000, abs=1)
        await stage.axis.move_to(9000, 4000)
        assert await stage.at() == pytest.approx(9000, abs=1)
        assert stage.axis.homed
    finally:
        await board(b"$10=1")
        await board(b"G10 L2 P1 Z0")
    assert await stage.at() == pytest.approx(9000, abs=1)
