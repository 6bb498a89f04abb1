"""The contract of an axis: where it stops matters more than how fast it goes. Use it as `conformance` says."""

from __future__ import annotations

import asyncio
import math
import time

import pytest

from benchd.devices import Axis, DeviceError, MotionFailed, Reading, Surprise
from benchd.testing.device_conformance import DeviceContract, check_reading
from benchd.testing.lively import lively_loop
from benchd.testing.rig import Rig


class AxisContract(DeviceContract[Axis]):
    """The axis is given open and not homed; it moves over the whole of its travel, or within `rig.reach`."""

    _reach: tuple[float, float] | None = None

    def device(self, rig: Rig) -> Axis:
        """The axis, with the reach that it was given for this test."""
        self._reach = rig.reach
        return super().device(rig)

    async def probe(self, device: Axis) -> Reading:
        return await device.read()

    def believable(self, answer: Reading) -> None:
        assert math.isfinite(answer.value)

    async def homed(self, rig: Rig) -> Axis:
        """The axis after homing, at the lower quarter of its travel."""
        axis = self.device(rig)
        await axis.home()
        await axis.move_to(self.at(axis, 0.25), axis.spec.top_speed)
        return axis

    def at(self, axis: Axis, part: float) -> float:
        """A place as a part of the reach."""
        low, _ = self.reach(axis)
        return low + part * self.span(axis)

    def reach(self, axis: Axis) -> tuple[float, float]:
        """Where it may be sent: its travel, or what the rig leaves of it."""
        return self._reach or (axis.spec.low, axis.spec.high)

    def span(self, axis: Axis) -> float:
        """How long the reach is."""
        low, high = self.reach(axis)
        return high - low

    def whole_travel(self, axis: Axis) -> None:
        """Skip what asks for more than a part of the travel: a driver that does not refuse it would go there."""
        if self.reach(axis) != (axis.spec.low, axis.spec.high):
            pytest.skip("asks for places beyond the reach that was given")

    def part(self, axis: Axis, part: float) -> float:
        """A way as a part of the reach, in the axis's own unit."""
        return part * self.span(axis)

    def tolerance(self, axis: Axis) -> float:
        """How near counts as there."""
        return 3 * axis.spec.resolution

    async def rested(self, axis: Axis) -> float:
        """The place, after seeing that it does not change."""
        first = (await axis.read()).value
        await asyncio.sleep(0.2)
        second = (await axis.read()).value
        assert abs(second - first) <= self.tolerance(axis), "it is still moving"
        return second

    async def under_way(self, rig: Rig, axis: Axis, part: float) -> asyncio.Task[float]:
        """A move to a part of the travel, well begun."""
        start = (await axis.read()).value
        move = asyncio.create_task(axis.move_to(self.at(axis, part), axis.spec.top_speed))
        deadline = time.monotonic() + 20.0
        while abs((await axis.read()).value - start) < 0.02 * self.span(axis):
            assert time.monotonic() < deadline, "the move did not begin"
            if move.done():
                await move  # which says why
                pytest.fail("the move ended too soon")
            await asyncio.sleep(0.005)
        return move

    async def test_spec_is_sound(self, rig: Rig) -> None:
        spec = self.device(rig).spec
        assert spec.unit in ("um", "deg")
        assert spec.low < spec.high
        assert min(spec.resolution, spec.top_speed, spec.acceleration) > 0
        assert min(self.device(rig).homes_within_s, self.device(rig).rests_within_s) > 0.0

    async def test_not_homed_it_does_not_move(self, rig: Rig) -> None:
        axis = self.device(rig)
        before = await self.rested(axis)
        assert not axis.homed
        for motion in (
            axis.move_to(self.at(axis, 0.5), axis.spec.top_speed),
            axis.jog(axis.spec.top_speed, self.part(axis, 0.01)),
        ):
            with pytest.raises(MotionFailed) as caught:
                await motion
            assert caught.value.code == "not_homed"
        assert abs(await self.rested(axis) - before) <= self.tolerance(axis)

    async def test_a_refused_move_is_not_made_up_for_after_homing(self, rig: Rig) -> None:
        axis = self.device(rig)
        with pytest.raises(MotionFailed):
            await axis.move_to(self.at(axis, 0.5), axis.spec.top_speed)
        await axis.home()
        assert axis.homed
        assert abs(await self.rested(axis) - self.at(axis, 0.5)) > 0.1 * self.span(axis)

    async def test_moves_end_where_they_were_sent(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        for part in (0.3, 0.26, 0.26, 0.2987):
            await axis.move_to(self.at(axis, part), axis.spec.top_speed)
            reading = await axis.read()
            check_reading(reading, axis.spec.unit)
            assert abs(reading.value - self.at(axis, part)) <= self.tolerance(axis)

    async def test_speed_is_obeyed(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        speed, way = axis.spec.top_speed / 4, 0.05 * self.span(axis)
        began = time.monotonic()
        stands = await axis.move_to(self.at(axis, 0.30), speed)
        ended = time.monotonic()
        took = (ended - began) * rig.pace
        assert began + way / speed * 0.9 / rig.pace < stands <= ended
        assert way / speed * 0.9 < took < way / speed * 2 + 1.0 * rig.pace

    @pytest.mark.parametrize("beyond", [1e-3, 1e5, math.inf, math.nan])
    async def test_targets_outside_the_travel_are_refused(self, rig: Rig, beyond: float) -> None:
        axis = self.device(rig)
        self.whole_travel(axis)
        await self.homed(rig)
        before = await self.rested(axis)
        with pytest.raises(MotionFailed) as caught:
            await axis.move_to(axis.spec.high + self.part(axis, beyond), axis.spec.top_speed)
        assert caught.value.code == "limit"
        assert abs(await self.rested(axis) - before) <= self.tolerance(axis)

    @pytest.mark.parametrize("speed", [0.0, -1.0, math.nan, math.inf])
    async def test_impossible_speeds_are_refused(self, rig: Rig, speed: float) -> None:
        axis = await self.homed(rig)
        with pytest.raises(ValueError, match="speed"):
            await axis.move_to(self.at(axis, 0.3), speed)

    async def test_second_mover_is_refused_and_the_first_arrives(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        move = await self.under_way(rig, axis, 0.5)
        with pytest.raises(MotionFailed) as caught:
            await axis.move_to(self.at(axis, 0.1), axis.spec.top_speed)
        assert caught.value.code == "busy"
        await move
        assert abs((await axis.read()).value - self.at(axis, 0.5)) <= self.tolerance(axis)

    async def test_cancelled_move_leaves_the_axis_at_rest_and_usable(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        move = await self.under_way(rig, axis, 0.9)
        async with lively_loop():
            move.cancel()
            await self.ends(move, "a cancelled move", axis.rests_within_s)
        assert move.cancelled()
        place = await self.rested(axis)
        assert self.at(axis, 0.25) < place < self.at(axis, 0.89)
        assert axis.homed
        await axis.move_to(self.at(axis, 0.3), axis.spec.top_speed)

    async def test_cancelled_homing_leaves_the_axis_at_rest_and_usable(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        homing = asyncio.create_task(axis.home())
        await asyncio.sleep(0.1)
        homing.cancel()
        await self.ends(homing, "cancelled homing", axis.rests_within_s)
        assert homing.cancelled()
        assert not axis.homed
        await self.rested(axis)
        await axis.home()
        assert axis.homed

    async def test_time_limit_of_the_caller_passes_through(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.15):
                await axis.move_to(self.at(axis, 0.9), axis.spec.top_speed)
        assert await self.rested(axis) < self.at(axis, 0.89)

    async def test_stop_in_a_move(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        move = await self.under_way(rig, axis, 0.9)
        async with lively_loop():
            await axis.stop()
        place = await self.rested(axis)
        await self.ends(move, "a stopped move", axis.rests_within_s)
        with pytest.raises(MotionFailed):
            await move
        assert self.at(axis, 0.25) < place < self.at(axis, 0.89)
        assert axis.homed, "an ordinary stop costs no trust"
        await axis.move_to(self.at(axis, 0.3), axis.spec.top_speed)
        assert abs((await axis.read()).value - self.at(axis, 0.3)) <= self.tolerance(axis)

    async def test_stop_at_rest_many_times_at_once(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        before = await self.rested(axis)
        await asyncio.gather(*(axis.stop() for _ in range(5)))
        await axis.stop()
        assert abs(await self.rested(axis) - before) <= self.tolerance(axis)
        assert axis.homed
        await axis.move_to(self.at(axis, 0.3), axis.spec.top_speed)

    async def test_stop_at_rest_then_move_and_jog(self, rig: Rig) -> None:
        """A stop that finds nothing to stop leaves nothing behind that holds what comes next."""
        axis = await self.homed(rig)
        for turn in range(10):
            await axis.stop()
            await axis.move_to(self.at(axis, 0.26 if turn % 2 else 0.25), axis.spec.top_speed)
            await axis.stop()
            before = (await axis.read()).value
            await axis.jog(axis.spec.top_speed / 4, 0.002 * self.span(axis))
            await asyncio.sleep(0.4)
            assert await self.rested(axis) > before, turn
            await axis.stop()
        assert axis.homed

    async def test_stop_while_homing(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        homing = asyncio.create_task(axis.home())
        await asyncio.sleep(0.1)
        await axis.stop()
        await self.ends(homing, "stopped homing", axis.rests_within_s)
        assert isinstance(homing.exception(), DeviceError)
        assert not axis.homed
        await self.rested(axis)
        await axis.home()
        assert axis.homed

    async def test_jog_is_bounded(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        start, way = await self.rested(axis), 0.02 * self.span(axis)
        began = time.monotonic()
        await axis.jog(axis.spec.top_speed / 4, way)
        assert time.monotonic() - began < 0.5, "a jog returns at once"
        await asyncio.sleep(way / (axis.spec.top_speed / 4) / rig.pace + 0.5)
        assert abs(await self.rested(axis) - start - way) <= self.tolerance(axis)

    async def test_jog_replaces_the_one_under_way(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        start, way = await self.rested(axis), 0.2 * self.span(axis)
        await axis.jog(axis.spec.top_speed / 4, way)
        await asyncio.sleep(0.1)
        await axis.jog(axis.spec.top_speed / 4, -way / 10)
        await asyncio.sleep(way / 10 / (axis.spec.top_speed / 4) / rig.pace + 1.0)
        assert await self.rested(axis) < start + way / 2

    async def test_jog_stops_when_told(self, rig: Rig) -> None:
        axis = await self.homed(rig)
        for _ in range(4):
            await axis.jog(axis.spec.top_speed / 2, 0.5 * self.span(axis))
            await asyncio.sleep(0.05)
        await axis.stop()
        place = await self.rested(axis)
        assert self.at(axis, 0.25) < place < self.at(axis, 0.74)
        assert axis.homed
        await axis.move_to(self.at(axis, 0.3), axis.spec.top_speed)

    async def test_jog_stops_inside_the_limit_and_leaves_it_again(self, rig: Rig) -> None:
        axis = self.device(rig)
        self.whole_travel(axis)
        await self.homed(rig)
        near, back = self.part(axis, 0.003), self.part(axis, 0.0015)
        await axis.move_to(axis.spec.high - near, axis.spec.top_speed)
        await axis.jog(axis.spec.top_speed / 4, self.part(axis, 0.3))
        await asyncio.sleep(0.7)
        assert axis.spec.high - near < await self.rested(axis) <= axis.spec.high + self.tolerance(axis)
        with pytest.raises(MotionFailed) as caught:
            await axis.jog(axis.spec.top_speed / 4, self.part(axis, 0.3))
        assert caught.value.code == "limit"
        await axis.jog(axis.spec.top_speed / 4, -back)
        await asyncio.sleep(0.5)
        assert await self.rested(axis) < axis.spec.high - 0.6 * back
        assert axis.homed

    async def test_unplugged_in_a_move_costs_trust_at_once(self, rig: Rig) -> None:
        hands = self.hands(rig, "unplug", "plug")
        axis = await self.homed(rig)
        told: list[Surprise] = []

        async def listen() -> None:
            async for surprise in axis.surprises():
                told.append(surprise)

        listening = asyncio.create_task(listen())
        move = await self.under_way(rig, axis, 0.9)
        began = time.monotonic()
        await hands.unplug()
        with pytest.raises(DeviceError):
            await move
        assert time.monotonic() - began < 5.0, "a busy machine takes half a second; a driver that waits, its time-out"
        assert not axis.homed
        await asyncio.sleep(0.01)
        assert [surprise.kind for surprise in told] == ["link"]
        await hands.plug()
        await rig.reopen()
        assert not axis.homed, "nothing resumes by itself"
        place = await self.rested(axis)
        assert place < self.at(axis, 0.95)
        await axis.home()
        await axis.close()
        await asyncio.wait_for(listening, 20.0)
