"""Moving by hand over an axis that takes its time: no place beyond what is allowed is ever sent to, or come to; and
what is told of the end of a hold."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from benchd.bench.motion.jogging import ASKED_S, Jogged
from benchd.devices import LinkTimeout
from tests.bench.motion.carriage import Rig

FAST_UM_S = 400.0
REFRESHED_S = 0.1


@pytest.fixture
async def homed() -> Rig:
    """At 10 mm. Its motor needs hardly any ramp, as the fake one has none."""
    rig = Rig()
    rig.axis.spec = replace(rig.axis.spec, acceleration=1e6)
    await rig.carriage.home()
    await rig.carriage.go(10_000.0)
    rig.axis.asked.clear()
    rig.axis.stops_s.clear()
    return rig


class Hand:
    """One hold: `says` how fast, again and again, until it lets go."""

    def __init__(self, rig: Rig, low_um: float, high_um: float) -> None:
        self._rig, self._bounds = rig, (low_um, high_um)
        self._seq = 0
        self.farthest_um = [10_000.0, 10_000.0]
        self.moving: asyncio.Task[Jogged] | None = None

    def says(self, speed_um_s: float) -> None:
        self._seq += 1
        hold, first = self._rig.carriage.holds.heard("rail", "h", self._seq, speed_um_s)
        if first:
            self.moving = asyncio.create_task(self._rig.carriage.jog(hold, lambda: self._bounds))

    async def holds(self, speed_um_s: float, for_s: float) -> None:
        for _ in range(round(for_s / REFRESHED_S)):
            self.says(speed_um_s)
            for _ in range(round(REFRESHED_S / 0.005)):
                await self._rig.clock.sleep(0.005)
                at_um = self._rig.axis.carriage_um
                self.farthest_um = [min(self.farthest_um[0], at_um), max(self.farthest_um[1], at_um)]

    async def lets_go(self) -> Jogged:
        self.says(0.0)
        assert self.moving is not None
        return await self.moving


@pytest.mark.parametrize("looks_s", [0.0, 0.02, 0.045, 0.15])
@pytest.mark.parametrize("up", [1.0, -1.0])
@pytest.mark.parametrize("then_um_s", [FAST_UM_S, 200.0, 20.0])
async def test_no_segment_leads_beyond_what_is_allowed(homed: Rig, looks_s: float, up: float, then_um_s: float) -> None:
    """It counts from where the controller finds itself, when it comes to that; and the carriage goes on meanwhile, by
    8 um on a quick line. One that takes longer than it may is stopped before it gets there."""
    homed.axis.looks_s = looks_s
    end_um = 10_000.0 + up * 400.0
    hand = Hand(homed, 9_600.0, 10_400.0)
    await hand.holds(up * FAST_UM_S, 0.9)
    await hand.holds(up * then_um_s, 8.0)
    sent_um = [asked.to_um for asked in homed.axis.asked if asked.to_um is not None]
    assert max((to_um - end_um) * up for to_um in sent_um) <= 0.0 or looks_s > ASKED_S
    assert hand.farthest_um[0] >= 9_600.0
    assert hand.farthest_um[1] <= 10_400.0
    assert homed.axis.carriage_um == pytest.approx(end_um, abs=0.6), "and it comes to the very end"
    jogged = await hand.lets_go()
    assert jogged.carriage_um == pytest.approx(end_um, abs=0.6)
    assert homed.trust.homed


async def test_from_the_end_it_goes_back_at_once_and_all_the_way(homed: Rig) -> None:
    hand = Hand(homed, 9_900.0, 10_100.0)
    await hand.holds(FAST_UM_S, 1.0)
    await hand.holds(-FAST_UM_S, 1.5)
    assert homed.axis.carriage_um == pytest.approx(9_900.0, abs=0.6)
    assert hand.farthest_um == [pytest.approx(9_900.0, abs=0.6), pytest.approx(10_100.0, abs=0.6)]
    await hand.lets_go()


async def test_a_stop_of_a_hold_that_is_not_confirmed_costs_the_trust(homed: Rig) -> None:
    """Nobody knows whether the carriage goes on: told as such, and nothing relies on where it stands."""
    hand = Hand(homed, 0.0, 20_000.0)
    await hand.holds(FAST_UM_S, 0.5)
    homed.axis.silent = True
    with pytest.raises(LinkTimeout):
        await hand.lets_go()
    assert not homed.trust.homed
    assert homed.trust.why == "the stop was not confirmed: stage gave no answer in 1 s"
    assert [kind for kind, _ in homed.lost] == ["link"]


@pytest.mark.parametrize("speed_um_s", [FAST_UM_S, -FAST_UM_S, 40.0])
async def test_how_far_it_went_after_it_was_let_go_is_counted_from_there(homed: Rig, speed_um_s: float) -> None:
    """Where it was then is told by its last reading, which may be old, and by how fast it went before the 0."""
    hand = Hand(homed, 0.0, 20_000.0)
    homed.axis.stop_takes_s = 0.05
    await hand.holds(speed_um_s, 1.0)
    await homed.clock.sleep(0.08)
    at_um = homed.axis.carriage_um
    jogged = await hand.lets_go()
    assert jogged.carriage_um == pytest.approx(homed.axis.carriage_um, abs=0.1)
    assert jogged.overshoot_um == pytest.approx(homed.axis.carriage_um - at_um, abs=0.012 * abs(speed_um_s))
    assert jogged.overshoot_um * speed_um_s > 0.0
