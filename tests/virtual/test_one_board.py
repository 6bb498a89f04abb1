"""Several axes on one G-code board, the carriage and two rings of the lens, by the bytes of its one line in virtual
time: each homed by its letter, one moving at a time, and a stop or a surprise of one that of all."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import pytest_asyncio

from benchd.devices import Axis, DeviceError, DeviceMismatch, HomeFailed, MotionFailed
from benchd_drivers.gcode_axis import GcodeAxis, GcodeRotary
from benchd_drivers.link.port import SerialLink
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.world import load_world
from tests.drivers.stage import ring_config, stage_config
from tests.virtual.ends.serial_end import PORTS, MemoryLink
from tests.virtual.rigs import VirtualRig


@dataclass
class Board:
    """A board with what hangs on it; `wrote` is every write of the host's."""

    rig: VirtualRig
    link: SerialLink
    carriage: GcodeAxis
    focus: GcodeRotary
    iris: GcodeRotary
    wrote: list[bytes]

    @property
    def axes(self) -> tuple[GcodeAxis, ...]:
        return self.carriage, self.focus, self.iris

    def lines(self) -> list[str]:
        """What was written since the last look, but for reports asked for."""
        text = b"".join(self.wrote).replace(b"?", b"").decode("latin-1")
        self.wrote.clear()
        return text.splitlines()

    async def homed(self) -> None:
        for axis in self.axes:
            await axis.home()
        self.lines()

    def turned_deg(self, ring: str) -> float:
        return self.rig.machine.turned[ring].place_deg  # type: ignore[attr-defined,no-any-return]


@pytest_asyncio.fixture
async def board(tmp_path: Path) -> AsyncIterator[Board]:
    loop = asyncio.get_running_loop()
    machine = load_world("workshop-rings", 3, 1.0, loop.time)
    rig = VirtualRig(machine, tmp_path, pace=1.0, identity="7A01", seed=3, journal=Journal(None))
    running = asyncio.create_task(rig.board.run())
    rig.cables["board"].port.plug()
    rig.board.power_up()
    wrote: list[bytes] = []
    PORTS[str(tmp_path / "board")].wrote = wrote.append
    link = MemoryLink.create("board", MemoryLink.Config(port=str(tmp_path / "board")))
    await link.open()
    made = Board(
        rig,
        link,
        GcodeAxis.create("stage", stage_config(), link),
        GcodeRotary.create("focus", ring_config(), link),
        GcodeRotary.create("iris", ring_config("Y"), link),
        wrote,
    )
    for axis in made.axes:
        await axis.open()
    yield made
    for axis in made.axes:
        await axis.close()
    await link.close()
    running.cancel()
    await asyncio.wait({running})
    rig.cables["board"].unplug()


async def under_way(axis: Axis, target: float) -> asyncio.Task[float]:
    start = (await axis.read()).value
    move = asyncio.create_task(axis.move_to(target, axis.spec.top_speed))
    while abs((await axis.read()).value - start) < 0.02 * abs(target - start):
        assert not move.done()
        await asyncio.sleep(0.005)
    return move


async def test_each_is_homed_by_its_letter_and_no_other_moves(board: Board) -> None:
    def places() -> list[float]:
        return [board.rig.machine.carriage_um, board.turned_deg("focus"), board.turned_deg("iris")]  # type: ignore[attr-defined]

    board.lines()
    for axis, letter in zip(board.axes, "ZXY", strict=True):
        before = places()
        trusted = [other.homed for other in board.axes]
        await axis.home()
        assert [line for line in board.lines() if line.startswith("$H")] == [f"$H{letter}"]
        moved = [abs(now - was) > 5.0 for was, now in zip(before, places(), strict=True)]
        assert moved == [other is axis for other in board.axes]
        assert [other.homed for other in board.axes] == [
            was or other is axis for was, other in zip(trusted, board.axes, strict=True)
        ]
        reading = await axis.read()
        assert reading.value == pytest.approx(0.0, abs=0.01)
        assert reading.unit == axis.spec.unit


async def test_angles_of_the_motor_are_those_of_the_ring_but_for_the_play(board: Board) -> None:
    await board.homed()
    await board.focus.move_to(200.0, 60.0)
    away = board.turned_deg("focus")
    await board.focus.move_to(100.0, 60.0)
    back = board.turned_deg("focus")
    assert (await board.focus.read()).value == pytest.approx(100.0, abs=0.01)
    # 0.6 degrees of play: the ring lags behind the motor by half of it on either side.
    assert away - back == pytest.approx(100.0 - 0.6, abs=0.02)


async def test_one_moves_at_a_time_and_the_other_is_refused_with_its_name(board: Board) -> None:
    await board.homed()
    move = await under_way(board.carriage, 20000.0)
    for motion in (board.focus.move_to(50.0, 60.0), board.focus.jog(10.0, 5.0), board.iris.home()):
        with pytest.raises(MotionFailed, match="stage is at work") as refused:
            await motion
        assert refused.value.code == "busy"
    assert not [line for line in board.lines() if "X" in line or "Y" in line or "$H" in line]
    await move
    await board.focus.move_to(50.0, 60.0)
    assert all(axis.homed for axis in board.axes)


async def test_two_that_ask_in_one_turn_of_the_loop_do_not_both_get_into_the_queue(board: Board) -> None:
    await board.homed()
    first, second = await asyncio.gather(
        board.carriage.move_to(5000.0, 4000.0), board.focus.move_to(90.0, 60.0), return_exceptions=True
    )
    assert isinstance(first, float)
    assert isinstance(second, MotionFailed)
    assert second.code == "busy"
    assert len([line for line in board.lines() if "G1" in line]) == 1


async def test_a_jog_that_has_ended_is_no_reason_to_refuse(board: Board) -> None:
    await board.homed()
    await board.focus.jog(30.0, 6.0)
    await asyncio.sleep(1.0)
    await board.carriage.move_to(3000.0, 4000.0)
    await board.carriage.jog(1000.0, 500.0)
    await asyncio.sleep(2.0)
    await board.iris.jog(30.0, 6.0)
    await asyncio.sleep(1.0)
    assert (await board.iris.read()).value == pytest.approx(6.0, abs=0.01)


@pytest.mark.parametrize("asked", ["carriage", "focus", "iris"])
async def test_a_stop_of_any_is_one_of_all(board: Board, asked: str) -> None:
    await board.homed()
    move = await under_way(board.carriage, 20000.0)
    await getattr(board, asked).stop()
    assert not board.rig.board.planner.moving
    with pytest.raises(MotionFailed, match="broken off by a stop"):
        await move
    assert all(axis.homed for axis in board.axes)
    await board.focus.move_to(40.0, 60.0)
    assert (await board.carriage.read()).value < 19000.0


async def test_a_stop_of_one_voids_what_another_was_about_to_begin(board: Board) -> None:
    await board.homed()
    move = asyncio.create_task(board.focus.move_to(90.0, 60.0))
    await asyncio.sleep(0)  # it has been asked for, and is not written yet
    await board.carriage.stop()
    with pytest.raises(MotionFailed, match="stop"):
        await move
    await asyncio.sleep(3.0)
    assert (await board.focus.read()).value == pytest.approx(0.0, abs=0.01)


async def test_a_stop_of_one_ends_anothers_homing(board: Board) -> None:
    """A homing cycle hears nothing but a reset, which leaves all of them unhomed."""
    await board.homed()
    await board.focus.move_to(250.0, 60.0)
    homing = asyncio.create_task(board.focus.home())
    await asyncio.sleep(0.5)
    await board.carriage.stop()
    with pytest.raises(HomeFailed, match="broken off by a stop"):
        await homing
    assert not board.rig.board.planner.moving
    assert not any(axis.homed for axis in board.axes[:2])
    place = board.turned_deg("focus")
    await asyncio.sleep(5.0)
    assert board.turned_deg("focus") == place
    await board.homed()
    assert all(axis.homed for axis in board.axes)


async def test_a_reset_nobody_asked_for_makes_all_unhomed(board: Board) -> None:
    await board.homed()
    board.rig.board.soft_reset()
    await asyncio.sleep(0.2)
    assert not any(axis.homed for axis in board.axes)


async def test_an_alarm_of_one_makes_all_unhomed(board: Board) -> None:
    await board.homed()
    machine = board.rig.machine
    move = await under_way(board.carriage, 20000.0)
    machine.carriage.push(12000.0)  # type: ignore[attr-defined] # into the switch at the far end
    with pytest.raises(DeviceError):
        await move
    assert not any(axis.homed for axis in board.axes)
    assert "alarm" in (await board.iris.health()).text or "limit" in (await board.iris.health()).text


async def test_one_that_moves_while_another_is_asked_to_costs_its_trust(board: Board) -> None:
    """Y homes where X was asked for, as on a board whose motor cables are changed over behind its numbers."""
    await board.homed()
    motor = board.rig.machine.limbs["Y"].motor
    move = await under_way(board.carriage, 20000.0)
    motor.start(motor.position_um + 3000.0, 6000.0)
    await move
    assert not board.iris.homed
    assert "at rest" in (await board.iris.health()).text
    assert board.carriage.homed


async def test_a_build_that_homes_all_or_none_is_not_asked_to_home_all(board: Board) -> None:
    board.rig.board.build.single_axes = False
    before = board.turned_deg("iris")
    with pytest.raises(HomeFailed, match="would move the others") as failed:
        await board.focus.home()
    assert "HOMING_SINGLE_AXIS_COMMANDS" in failed.value.advice
    assert "$H" not in board.lines()
    assert board.turned_deg("iris") == before
    board.rig.board.build.single_axes = True
    await board.homed()


async def test_two_devices_of_one_letter_are_refused(board: Board) -> None:
    with pytest.raises(ValueError, match="X is that of focus"):
        GcodeRotary.create("zoom", ring_config(), board.link)
    GcodeRotary.create("focus", ring_config(), board.link)


async def test_settings_of_each_letter_are_held_against_the_bench_file(board: Board) -> None:
    for changes, told in (
        ({"top_speed_deg_s": 90.0}, r"goes at 60 °/s at most \(\$110=360"),
        ({"acceleration_deg_s2": 500.0}, r"accelerates by 400 °/s²"),
        ({"travel_deg": (0.0, 325.0)}, r"soft limits \(\$20=1, \$130=33\) are at -10 and 320 °"),
        ({"zero_at": 0.0}, r"soft limits|lower side"),
    ):
        ring = GcodeRotary.create("focus", ring_config(**changes), board.link)
        with pytest.raises(DeviceMismatch, match=told):
            await ring.open()
    settings = board.rig.board.state.settings
    settings.values |= {1: 25, 20: 0, 21: 0}
    await board.homed()
    assert (await board.focus.health()).state == "ok"  # as they were when contact was made
    for axis in board.axes:
        await axis.close()
    for axis in board.axes:
        await axis.open()
    await board.homed()
    health = await board.focus.health()
    assert (health.state, health.code) == ("degraded", "settings")
    assert all(part in health.text for part in ("$1=255", "$20=1", "$21=1"))
    for axis in board.axes:
        await axis.close()
    settings.values[100] = 500
    with pytest.raises(DeviceMismatch, match=r"steps are 0.02 ° .*resolution_deg is 0.01"):
        await board.focus.open()
