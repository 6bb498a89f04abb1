"""The carriage at constant speed: polled on its way, stopped at any moment, and settled at its end."""

from __future__ import annotations

import asyncio
from itertools import pairwise

import pytest

from benchd.bench.jobs import Stopped
from benchd.bench.motion.passing import POLL_S
from benchd.bench.reporter import WATCHED_S
from benchd.devices import Implausible, Reading
from benchd.errors import Refused
from tests.bench.motion.carriage import Rig
from tests.bench.motion.test_positioner import homed, rig

__all__ = ["homed", "rig"]

ENDS_UM = (10_200.0, 10_000.0)
SPEED_UM_S = 400.0


def none(_: int, __: Reading) -> None:
    """Whoever does not look."""


async def test_it_is_polled_at_the_speed_asked_for_on_both_ways(homed: Rig) -> None:
    polls: list[list[Reading]] = [[], []]
    await homed.carriage.pass_through(ENDS_UM, SPEED_UM_S, lambda number, reading: polls[number].append(reading))
    assert homed.moves_um == list(ENDS_UM)
    for way, sign in zip(polls, (1.0, -1.0), strict=True):
        apart = [after.t_mono - before.t_mono for before, after in pairwise(way)]
        assert max(apart) <= 0.02, "at least 50 times a second"
        speed = (way[-2].value - way[1].value) / (way[-2].t_mono - way[1].t_mono)
        assert speed == pytest.approx(sign * SPEED_UM_S, rel=1e-6)
    assert (homed.trust.homed, homed.carriage.state, homed.lost) == (True, "idle", [])


async def test_after_a_way_back_the_next_approach_takes_up_the_backlash(homed: Rig) -> None:
    homed.axis.play_um = 20.0
    await homed.carriage.pass_through(ENDS_UM, SPEED_UM_S, none)
    homed.axis.asked.clear()
    there = await homed.carriage.go(10_050.0)
    assert there.value == pytest.approx(10_050.0, abs=1.0)
    assert len(homed.moves_um) >= 2, "past it and up to it again, though it is only 50 um above"


@pytest.mark.parametrize("ends", [(29_999.0, 10_000.0), (10_200.0, 50.0), (-1.0, 10_000.0)])
async def test_an_end_outside_the_limits_is_refused_and_nothing_moves(homed: Rig, ends: tuple[float, float]) -> None:
    with pytest.raises(Refused, match="outside the carriage's limits"):
        await homed.carriage.pass_through(ends, SPEED_UM_S, none)
    assert homed.moves_um == []


async def test_unhomed_it_is_refused(rig: Rig) -> None:
    with pytest.raises(Refused, match="not homed"):
        await rig.carriage.pass_through(ENDS_UM, SPEED_UM_S, none)
    assert rig.moves_um == []


@pytest.mark.parametrize("after_s", [0.01, 0.3, 0.6, 0.9])
async def test_a_stop_is_the_last_motion_on_either_way(homed: Rig, after_s: float) -> None:
    passing = asyncio.create_task(homed.carriage.pass_through(ENDS_UM, SPEED_UM_S, none))
    await homed.clock.sleep(after_s)
    await homed.carriage.stop("wall")
    with pytest.raises(Stopped):
        await passing
    assert (homed.axis.moving, homed.trust.homed, homed.carriage.state) == (False, True, "idle")
    at = homed.axis.carriage_um
    await homed.clock.sleep(5.0)
    assert homed.axis.carriage_um == at
    await homed.carriage.go(10_000.0)  # and it is no creep


async def test_a_position_that_cannot_be_read_stops_it(homed: Rig) -> None:
    def polled(_: int, reading: Reading) -> None:
        if reading.value > 10_050.0:
            raise Implausible("The position reading cannot be true.")

    with pytest.raises(Implausible):
        await homed.carriage.pass_through(ENDS_UM, SPEED_UM_S, polled)
    assert (homed.axis.moving, homed.carriage.state) == (False, "idle")
    assert homed.axis.carriage_um < 10_060.0


async def test_cancelled_it_stands_before_that_is_raised(homed: Rig) -> None:
    passing = asyncio.create_task(homed.carriage.pass_through(ENDS_UM, SPEED_UM_S, none))
    await homed.clock.sleep(0.3)
    passing.cancel()
    with pytest.raises(asyncio.CancelledError):
        await passing
    assert (homed.axis.moving, homed.trust.homed, homed.carriage.state) == (False, True, "idle")


async def test_lost_steps_show_on_the_way_as_in_every_motion(homed: Rig) -> None:
    async with homed.watched():
        passing = asyncio.create_task(homed.carriage.pass_through((14_000.0, 10_000.0), SPEED_UM_S, none))
        await homed.clock.sleep(1.0)
        homed.axis._lost_um += 400.0
        await homed.until(lambda: not homed.trust.homed)
        passing.cancel()
        await asyncio.wait({passing})
    assert homed.lost[0][0] == "stall"
    assert not homed.axis.moving


async def test_who_watches_a_motion_reads_the_scale_anew_unless_somebody_else_just_has(homed: Rig) -> None:
    async with homed.watched():
        moving = asyncio.create_task(homed.carriage.go(14_000.0))
        await homed.clock.sleep(0.3)
        before = homed.scale.reads
        await homed.clock.sleep(0.3)
        assert homed.scale.reads - before >= 0.9 * 0.3 / WATCHED_S
        await moving
        passing = asyncio.create_task(homed.carriage.pass_through((10_000.0,), SPEED_UM_S, none))
        await homed.clock.sleep(0.3)
        before = homed.scale.reads
        await homed.clock.sleep(0.3)
        assert homed.scale.reads - before <= 1.1 * 0.3 / POLL_S, "both had read it"
        await passing
