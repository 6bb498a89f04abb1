"""The carriage in closed loop, over an axis and a scale that misbehave: where it comes to rest, what costs its place,
and that a stop is the last motion, whatever is under way."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from benchd.bench.jobs import Stopped
from benchd.bench.motion.approaching import ATTEMPTS
from benchd.bench.reporter import WATCHED_S
from benchd.devices import (
    DeviceError,
    DeviceFault,
    HomeFailed,
    Implausible,
    LinkGarbled,
    LinkTimeout,
    MotionFailed,
)
from benchd.errors import Refused
from tests.bench.motion.carriage import FIGURES, SPEC, Rig

RUN_UP_UM = FIGURES.approach_um


@pytest.fixture
async def rig() -> Rig:
    return Rig()


@pytest.fixture
async def homed(rig: Rig) -> Rig:
    """At 10 mm, where nothing is remembered of how it came there."""
    await rig.carriage.home()
    await rig.carriage.go(10_000.0)
    await rig.clock.sleep(1.0)
    rig.axis.asked.clear()
    rig.axis.stops_s.clear()
    return rig


# Homing


async def test_homing_finds_switch_and_mark_and_the_place_is_trusted(rig: Rig) -> None:
    states: list[str] = []
    rig.carriage.changed = lambda: states.append(rig.carriage.state)
    await rig.carriage.home()
    assert rig.moves_um == [None, 5000.0], "5 mm from the switch on the mark has been passed"
    assert (rig.trust.homed, rig.trust.why, rig.trust.gains, rig.lost) == (True, None, 1, [])
    assert (await rig.carriage.read()).value == pytest.approx(5000.0)
    assert states == ["homing", "idle"]


async def test_homing_without_a_mark_ends_inside_the_limits(rig: Rig) -> None:
    """The switch may lie where no small step is allowed."""
    rig.scale.mark_um = None
    await rig.carriage.home()
    low, high = rig.carriage.limits_um
    assert low < rig.axis.carriage_um < high
    await rig.carriage.go(rig.axis.carriage_um + 1.0)


async def test_a_mark_that_is_not_seen_within_5_mm_fails_homing(rig: Rig) -> None:
    rig.scale.mark_um = 5200.0
    with pytest.raises(HomeFailed, match="reference mark was not seen within 5000 µm"):
        await rig.carriage.home()
    assert (rig.trust.homed, rig.carriage.state, rig.axis.moving) == (False, "idle", False)
    assert "reference mark" in (rig.trust.why or "")


async def test_a_switch_that_does_not_act_ends_homing_where_clearance_was_looked_for(homed: Rig) -> None:
    homed.axis.switch_acts = False
    low, _ = homed.carriage.homing_um
    async with homed.watched():
        with pytest.raises(HomeFailed, match=r"went on to -\d+ µm and the home switch did not act"):
            await homed.carriage.home()
    assert low - FIGURES.speed_um_s * 2.0 * WATCHED_S < homed.axis.carriage_um < low
    assert not homed.trust.homed


async def test_of_a_carriage_that_was_never_homed_nobody_knows_how_far_it_went(rig: Rig) -> None:
    rig.axis.switch_acts = False
    async with rig.watched():
        with pytest.raises(HomeFailed, match="the home switch did not act"):
            await rig.carriage.home()
    assert rig.axis.stops_s == []


async def test_what_happens_after_the_switch_was_found_fails_homing(rig: Rig) -> None:
    homing = asyncio.create_task(rig.carriage.home())
    await rig.until(lambda: len(rig.moves_um) == 2)
    rig.trust.lose("limit", "the end switch was hit")
    with pytest.raises(HomeFailed, match="after the switch was found: the end switch was hit"):
        await homing
    assert not rig.trust.homed


async def test_a_carriage_whose_controller_is_away_is_not_homed(rig: Rig) -> None:
    rig.carriage.barred = "link motion is lost"
    with pytest.raises(DeviceError, match="cannot be homed: link motion is lost"):
        await rig.carriage.home()
    assert rig.moves_um == []


# Where it comes to rest


@pytest.mark.parametrize(
    ("target_um", "legs"),
    [
        pytest.param(10_026.0, [10_026.0], id="a quarter of the run-up from below takes up the play"),
        pytest.param(10_024.0, [9_924.0, 10_024.0], id="less does not"),
        pytest.param(9_000.0, [8_900.0, 9_000.0], id="from above it goes past and comes back"),
        pytest.param(10_000.0, [9_900.0, 10_000.0], id="where it stands it is approached as well"),
        pytest.param(25_000.0, [25_000.0], id="far off"),
    ],
)
async def test_the_last_motion_is_from_below(homed: Rig, target_um: float, legs: list[float]) -> None:
    reading = await homed.carriage.go(target_um)
    assert homed.moves_um == pytest.approx(legs)
    assert reading.value == pytest.approx(target_um, abs=1e-6)
    assert homed.carriage.place_um == reading.value


@pytest.mark.parametrize("start_um", [2_000.0, 28_000.0])
async def test_play_makes_no_difference_from_either_side(rig: Rig, start_um: float) -> None:
    rig.axis.play_um = 40.0
    await rig.carriage.home()
    await rig.carriage.go(start_um)
    await rig.carriage.go(12_000.0)
    assert rig.axis.carriage_um == pytest.approx(12_000.0, abs=FIGURES.tolerance_um)
    assert rig.axis.carriage_um == pytest.approx(rig.axis.motor_um), "the play is taken up"


async def test_it_is_read_once_it_has_settled(homed: Rig) -> None:
    stood: list[float] = []
    reading = await homed.carriage.go(12_000.0, settled=lambda: stood.append(homed.clock.monotonic()))
    ended_s = homed.axis.asked[-1].at_s + 2_000.0 / FIGURES.speed_um_s
    assert stood == [pytest.approx(ended_s + FIGURES.settle_s, abs=0.01)]
    assert reading.t_mono >= stood[0]


async def test_a_screw_that_is_off_is_corrected_by_the_scale(homed: Rig) -> None:
    """10 um over 10 mm: the first approach ends past the target, so it backs off and comes from the same side again."""
    homed.scale.error_rel = 1e-3
    settled: list[float] = []
    reading = await homed.carriage.go(20_000.0, settled=lambda: settled.append(homed.scale.shows_um))
    assert abs(reading.value - 20_000.0) <= FIGURES.tolerance_um
    assert settled == pytest.approx([20_020.0, 20_000.0], abs=0.1)
    assert homed.moves_um == pytest.approx([20_000.0, 19_900.0, 19_980.0], abs=20.1)
    assert homed.trust.homed


async def test_where_the_place_need_not_be_exact_one_approach_does(homed: Rig) -> None:
    homed.scale.error_rel = 1e-3
    reading = await homed.carriage.go(20_000.0, exact=False)
    assert reading.value == pytest.approx(20_020.0)
    assert homed.moves_um == [20_000.0]


async def test_without_a_scale_the_steps_are_the_place(rig: Rig) -> None:
    rig = Rig(encoder=False)
    await rig.carriage.home()
    assert (rig.carriage.source, rig.scale.reads) == ("steps", 0)
    assert (await rig.carriage.go(9_000.0)).value == 9_000.0
    assert (await rig.carriage.watch_once()).value == 9_000.0
    assert rig.scale.reads == 0


async def test_a_stage_that_cannot_come_within_its_tolerance_gives_up_and_is_not_trusted(homed: Rig) -> None:
    homed.axis.step_um = 8.0
    with pytest.raises(DeviceError, match=rf"from 20004.0 µm after {ATTEMPTS} approaches") as caught:
        await homed.carriage.go(20_004.0)
    assert "tolerance_um" in caught.value.advice
    assert homed.lost == [("stall", "the carriage does not come within its tolerance")]
    assert sum(um is not None and um > 19_990.0 for um in homed.moves_um) == ATTEMPTS


async def test_approached_from_the_other_side_what_is_lost_on_reversal_shows(rig: Rig) -> None:
    rig = Rig(encoder=False)
    rig.axis.play_um = 20.0
    await rig.carriage.home()
    await rig.carriage.go(9_000.0)
    below_um = rig.axis.carriage_um
    await rig.carriage.go(9_000.0, approach="from_above")
    assert rig.axis.carriage_um - below_um == pytest.approx(20.0)
    assert rig.moves_um[-2:] == [9_100.0, 9_000.0]
    await rig.carriage.go(9_050.0)
    assert rig.moves_um[-2:] == [8_950.0, 9_050.0], "50 um from the right side may not take the play up after that"
    assert rig.axis.carriage_um == pytest.approx(below_um + 50.0)


async def test_the_other_side_needs_room_for_its_run_up(homed: Rig) -> None:
    _, high = homed.carriage.limits_um
    driven = len(homed.moves_um)
    with pytest.raises(Refused, match="outside the carriage's limits"):
        await homed.carriage.go(high - 50.0, approach="from_above")
    assert len(homed.moves_um) == driven
    await homed.carriage.go(high - 50.0, approach="from_below")


# Limits


@pytest.mark.parametrize("side", [0, 1])
async def test_a_limit_can_be_driven_to_and_nothing_beyond_it(homed: Rig, side: int) -> None:
    limit, outwards = homed.carriage.limits_um[side], (-1.0, 1.0)[side]
    await homed.carriage.go(limit)
    driven = len(homed.moves_um)
    for beyond_um in (0.1, 1e6):
        with pytest.raises(Refused, match="outside the carriage's limits") as caught:
            await homed.carriage.go(limit + outwards * beyond_um)
        assert caught.value.code == "limit"
    assert len(homed.moves_um) == driven, "what is refused moves nothing"
    assert all(um is not None and SPEC.low <= um <= SPEC.high for um in homed.moves_um)
    assert homed.trust.homed


async def test_limits_follow_the_zero_of_the_scale(rig: Rig) -> None:
    """Where the motor stands 50 um below the scale its travel ends 50 um higher, and with it the run-up from below."""
    assert rig.carriage.limits_um == (120.0, 29_980.0)
    rig.scale.error_rel = 0.01
    await rig.carriage.home()
    assert rig.carriage.limits_um == pytest.approx((170.0, 30_000.0))


async def test_an_unhomed_carriage_goes_nowhere(rig: Rig) -> None:
    with pytest.raises(Refused, match="not homed since the start") as caught:
        await rig.carriage.go(9_000.0)
    assert (caught.value.code, rig.moves_um) == ("not_homed", [])


# What costs the place


async def going(rig: Rig, to_um: float = 25_000.0) -> asyncio.Task[Any]:
    """A motion a second long that is half way."""
    task = asyncio.create_task(rig.carriage.go(to_um))
    await rig.until(lambda: rig.axis.moving and rig.axis.carriage_um > 12_000.0)
    return task


@pytest.mark.parametrize(
    ("does", "looks"),
    [
        pytest.param(lambda rig: rig.axis.lose_steps(400.0), 2, id="steps lost"),
        pytest.param(lambda rig: rig.axis.lose_steps(-400.0), 2, id="steps gained"),
        pytest.param(lambda rig: rig.scale.freeze(), 4, id="scale frozen"),
    ],
)
async def test_motor_and_scale_that_part_on_the_way_cost_it_at_once(
    homed: Rig, does: Callable[[Rig], None], looks: int
) -> None:
    task = await going(homed)
    async with homed.watched():
        does(homed)
        began_s = homed.clock.monotonic()
        await homed.until(lambda: not homed.trust.homed)
    assert homed.clock.monotonic() - began_s <= looks * (WATCHED_S + 0.01)
    ((kind, why),) = homed.lost
    assert kind == "stall"
    assert why.startswith("motor and encoder disagree by ")
    await homed.carriage.stop()
    with pytest.raises(Stopped):
        await task


async def test_a_watch_that_is_as_fast_as_the_carriage_trips_for_nothing(homed: Rig) -> None:
    homed.axis.play_um = 40.0
    async with homed.watched():
        for um in (25_000.0, 1_000.0, 1_200.0, 29_000.0, 28_900.0):
            await homed.carriage.go(um)
    assert homed.trust.homed


async def test_steps_lost_in_an_approach_are_seen_at_rest(homed: Rig) -> None:
    task = await going(homed)
    homed.axis.lose_steps(90.0)
    with pytest.raises(DeviceError, match=r"motor and encoder disagree by \+90 µm"):
        await task
    assert [kind for kind, _ in homed.lost] == ["stall"]


async def test_a_reset_in_motion_costs_it(homed: Rig) -> None:
    task = await going(homed)
    homed.axis.reset()
    with pytest.raises(MotionFailed, match="was reset"):
        await task
    assert not homed.trust.homed
    assert not homed.axis.moving


async def test_a_controller_that_forgets_its_place_in_a_stop_costs_it(homed: Rig) -> None:
    task = await going(homed)
    stopping = asyncio.create_task(homed.carriage.stop())
    await asyncio.sleep(0)
    homed.axis.reset()
    await stopping
    with pytest.raises(Stopped):
        await task
    assert homed.lost == [("reset", "the controller lost its place in the stop")]


async def test_a_stop_that_nobody_confirms_costs_it(homed: Rig) -> None:
    task = await going(homed)
    homed.axis.silent = True
    with pytest.raises(DeviceError, match="gave no answer"):
        await homed.carriage.stop()
    with pytest.raises(Stopped):
        await task
    assert [kind for kind, _ in homed.lost] == ["link"]
    assert not homed.axis.moving, "it obeys all the same"


async def test_a_link_that_fails_in_a_move_costs_it(homed: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody knows what the motor was told, whether its driver says so or not."""

    async def garbled(*_: float) -> float:
        raise LinkGarbled("noise.", device="stage")

    monkeypatch.setattr(homed.axis, "move_to", garbled)
    with pytest.raises(LinkGarbled):
        await homed.carriage.go(20_000.0)
    assert homed.lost == [("link", "noise")]


async def test_a_move_called_off_while_its_link_fails_costs_it_too(homed: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """The cancellation comes while the axis is being stopped: it broke off the stop, and took the error's place."""
    obeys = homed.axis.move_to

    async def unheard(target: float, speed: float) -> float:
        going = asyncio.ensure_future(obeys(target, speed))
        going.add_done_callback(lambda ended: ended.exception())
        await homed.clock.sleep(1.0)
        raise LinkTimeout("no answer.", device="stage")

    monkeypatch.setattr(homed.axis, "move_to", unheard)
    homed.axis.stop_takes_s = 2.0
    task = asyncio.create_task(homed.carriage.go(20_000.0))
    await homed.clock.sleep(1.2)
    task.cancel()
    with pytest.raises(LinkTimeout):
        await task
    assert not homed.axis.moving
    assert homed.lost == [("link", "no answer")]


async def test_a_driver_that_fails_in_a_move_costs_it(homed: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    async def breaks(*_: float) -> float:
        raise KeyError("speed")

    monkeypatch.setattr(homed.axis, "move_to", breaks)
    with pytest.raises(DeviceFault, match="KeyError"):
        await homed.carriage.go(20_000.0)
    assert [kind for kind, _ in homed.lost] == ["link"]


async def test_a_safety_device_that_ends_a_move_in_good_order_costs_nothing(
    homed: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def door(*_: float) -> float:
        raise MotionFailed("The door is open.", code="interlock")

    monkeypatch.setattr(homed.axis, "move_to", door)
    with pytest.raises(MotionFailed, match="door"):
        await homed.carriage.go(20_000.0)
    assert homed.trust.homed


@pytest.mark.parametrize("um", [30.0, -30.0])
async def test_a_carriage_that_creeps_is_found_by_the_next_look(homed: Rig, um: float) -> None:
    homed.axis.push(0.8 * um)
    await homed.carriage.watch_once()
    assert homed.trust.homed, "so much is none"
    homed.axis.push(0.2 * um)
    await homed.carriage.watch_once()
    assert homed.lost == [("stall", f"the carriage moved {um:+.0f} µm unasked")]


async def test_a_push_that_nobody_has_looked_at_moves_nothing(homed: Rig) -> None:
    """Else the motion would begin where it is, and no later comparison would show so little."""
    homed.axis.push(30.0)
    with pytest.raises(Refused, match="unasked"):
        await homed.carriage.go(20_000.0)
    assert homed.lost == [("stall", "the carriage moved +30 µm unasked")]
    assert homed.moves_um == []


async def test_a_scale_that_says_nothing_at_the_end_of_a_move_is_not_taken_for_a_carriage_that_creeps(
    homed: Rig,
) -> None:
    task = await going(homed)
    homed.scale.silent = True
    with pytest.raises(DeviceError, match="gave no answer"):
        await task
    homed.scale.silent = False
    await homed.carriage.watch_once()
    assert homed.lost == []


async def test_a_reading_that_cannot_be_true_is_none(homed: Rig) -> None:
    homed.scale.bad = True
    with pytest.raises(Implausible):
        await homed.carriage.read()


# Stop


async def goes_down(rig: Rig) -> None:
    """By a run-up, to 5 mm."""
    await rig.carriage.go(5_000.0)


def leg(to_um: float) -> Callable[[Rig], bool]:
    """Whether the axis is on its way there."""
    return lambda rig: rig.axis.moving and rig.moves_um[-1] == to_um


def settles(rig: Rig) -> bool:
    return 5_000.0 in rig.moves_um and not rig.axis.moving and abs(rig.axis.carriage_um - 5_000.0) < 1.0


PHASES: dict[str, tuple[Callable[[Rig], Awaitable[None]], Callable[[Rig], bool]]] = {
    "before it is known from which side": (goes_down, lambda rig: rig.carriage.state == "moving"),
    "as the motion is asked for": (goes_down, lambda rig: len(rig.moves_um) == 1),
    "run-up": (goes_down, leg(5_000.0 - RUN_UP_UM)),
    "last approach": (goes_down, leg(5_000.0)),
    "settling": (goes_down, settles),
    "to the switch": (lambda rig: rig.carriage.home(), lambda rig: rig.axis.moving and rig.axis.carriage_um < 5_000.0),
    "off the switch": (lambda rig: rig.carriage.home(), lambda rig: rig.axis.carriage_um < -999.0),
    "to the mark": (lambda rig: rig.carriage.home(), leg(5_000.0)),
}  # fmt: skip


@pytest.mark.parametrize("stop_takes_s", [0.0, 0.4])
@pytest.mark.parametrize("phase", PHASES)
async def test_a_stop_in_any_phase_is_the_last_motion(homed: Rig, phase: str, stop_takes_s: float) -> None:
    homed.axis.stop_takes_s = stop_takes_s
    works, reached = PHASES[phase]
    task = asyncio.ensure_future(works(homed))
    await homed.until(lambda: reached(homed))
    asked = len(homed.moves_um)
    await homed.carriage.stop("wall")
    assert not homed.axis.moving, "it returns at standstill"
    stands_um = homed.axis.carriage_um
    with pytest.raises(Stopped) as caught:
        await task
    assert caught.value.by == "wall"
    await homed.clock.sleep(5.0)
    assert (len(homed.moves_um), homed.axis.carriage_um) == (asked, stands_um)
    homes = None in homed.moves_um
    assert homed.trust.homed is not homes, "homing that was stopped has found no place; a move keeps it"
    if homes:
        assert homed.trust.why == "homing was stopped"
        return
    await homed.carriage.watch_once()
    assert homed.trust.homed, "where it ran out to is where it rests"
    assert (await homed.carriage.go(9_000.0)).value == pytest.approx(9_000.0)


@pytest.mark.parametrize("moves", [lambda rig, n: rig.carriage.go(9_000.0, since=n),
                                   lambda rig, n: rig.carriage.home(since=n)])  # fmt: skip
async def test_what_was_asked_for_before_a_stop_does_not_begin_after_it(
    homed: Rig, moves: Callable[[Rig, int], Awaitable[Any]]
) -> None:
    asked_for = homed.carriage.stops
    await homed.carriage.stop("wall")
    with pytest.raises(Stopped) as caught:
        await moves(homed, asked_for)
    assert (caught.value.by, homed.moves_um, homed.trust.homed) == ("wall", [], True)
    await moves(homed, homed.carriage.stops)


async def test_a_stop_in_the_turn_after_a_motion_is_asked_for_ends_it(homed: Rig) -> None:
    moving = asyncio.create_task(homed.carriage.go(20_000.0))
    stopping = asyncio.create_task(homed.carriage.stop())
    await stopping
    with pytest.raises(Stopped):
        await moving
    await homed.clock.sleep(5.0)
    assert homed.axis.carriage_um == pytest.approx(10_000.0, abs=1.0)


async def test_a_motion_that_is_asked_for_after_a_stop_begins_when_all_stands(homed: Rig) -> None:
    homed.axis.stop_takes_s = 0.4
    first = await going(homed)
    stopping = asyncio.create_task(homed.carriage.stop())
    await asyncio.sleep(0)
    second = asyncio.create_task(homed.carriage.go(20_000.0))
    await stopping
    stood_s = homed.clock.monotonic()
    with pytest.raises(Stopped):
        await first
    assert (await second).value == pytest.approx(20_000.0)
    assert homed.axis.asked[-1].at_s >= stood_s


async def test_a_motion_that_waited_for_a_stop_which_cost_the_place_does_not_begin(homed: Rig) -> None:
    first = await going(homed)
    stopping = asyncio.create_task(homed.carriage.stop())
    await asyncio.sleep(0)
    second = asyncio.create_task(homed.carriage.go(20_000.0))
    await asyncio.sleep(0)
    homed.axis.reset()
    await stopping
    with pytest.raises(Stopped):
        await first
    with pytest.raises(Refused, match="lost its place in the stop"):
        await second
    assert homed.moves_um == [25_000.0]


async def test_of_two_stops_the_later_is_waited_for_as_well(homed: Rig) -> None:
    homed.axis.stop_takes_s = 0.4
    await going_to_be_stopped(homed)
    await asyncio.gather(homed.carriage.stop("rail"), homed.carriage.stop("wall"))
    assert (homed.carriage.stopped_by, homed.axis.moving, homed.trust.homed) == ("wall", False, True)


async def going_to_be_stopped(rig: Rig) -> None:
    task = await going(rig)

    def ended(done: asyncio.Task[Any]) -> None:
        with contextlib.suppress(Stopped):
            done.result()

    task.add_done_callback(ended)


async def test_who_is_cancelled_leaves_a_carriage_at_rest_that_knows_its_place(homed: Rig) -> None:
    homed.axis.stop_takes_s = 0.2
    task = await going(homed)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert (homed.axis.moving, homed.carriage.state, homed.trust.homed) == (False, "idle", True)
    await homed.carriage.watch_once()
    assert homed.trust.homed
    homed.axis.push(30.0)
    await homed.carriage.watch_once()
    assert homed.lost == [("stall", "the carriage moved +30 µm unasked")]


@pytest.mark.parametrize("turns", range(8))
async def test_no_motion_begins_whose_caller_has_been_cancelled(homed: Rig, turns: int) -> None:
    """One that had been handed on in that very turn began, and was broken off in the next."""
    await homed.carriage.go(20_000.0)
    task = asyncio.create_task(homed.carriage.go(9_000.0))
    for _ in range(turns):
        await asyncio.sleep(0)
    asked = len(homed.moves_um)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert len(homed.moves_um) == asked


async def test_nothing_begins_while_the_run_says_that_it_stands(homed: Rig) -> None:
    homed.carriage.may_begin = lambda: False
    with pytest.raises(Stopped):
        await homed.carriage.go(9_000.0)
    with pytest.raises(Stopped):
        await homed.carriage.home()
    assert (homed.moves_um, homed.trust.homed) == ([], True)


async def test_after_a_stop_on_its_way_a_short_move_takes_up_the_backlash_anew(homed: Rig) -> None:
    """It had not: 25 um from where a run-up was broken off counted as having taken it up."""
    homed.axis.play_um = 50.0
    moving = asyncio.create_task(homed.carriage.go(5_000.0))
    await homed.clock.sleep(0.5)
    await homed.carriage.stop()
    with pytest.raises(Stopped):
        await moving
    at_um = (await homed.carriage.read()).value
    homed.axis.asked.clear()
    await homed.carriage.go(at_um + 30.0)
    assert (homed.moves_um[0] or 0.0) <= at_um + 30.0 - RUN_UP_UM
    assert len(homed.moves_um) >= 2
