"""Calls that a driver does not end when they are cancelled, in every order of what else is asked of it meanwhile."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator

import pytest

from benchd.devices import (
    Axis,
    AxisSpec,
    Device,
    DeviceFault,
    Health,
    Identity,
    Light,
    LightSpec,
    LinkError,
    LinkGarbled,
    LinkTimeout,
    MotionFailed,
    Reading,
    Surprise,
)
from benchd.devices.guarded import guarded

LEFT = "has not come back from {} yet"


class Stubborn(Device):
    """What stands in `holds` goes on, whatever is thrown into it, until it is let go."""

    answers_within_s = 0.5

    def __init__(self) -> None:
        self.name = "odd"
        self.did: list[str] = []
        self.holds: dict[str, asyncio.Event] = {}

    @classmethod
    def create(cls, name: str, config: object, link: object) -> Stubborn:
        return cls()

    async def _does(self, call: str) -> None:
        self.did.append(call)
        held = self.holds.get(call)
        while held is not None and not held.is_set():
            with contextlib.suppress(asyncio.CancelledError):
                await held.wait()

    async def open(self) -> Identity:
        await self._does("open")
        return Identity(model="odd")

    async def close(self) -> None:
        await self._does("close")

    async def health(self) -> Health:
        return Health("ok")


class StubbornAxis(Stubborn, Axis):
    """Homing alone ends as it should, in its time."""

    spec = AxisSpec("um", 0.0, 10_000.0, 0.1, 1000.0, 5000.0, 0.1)
    rests_within_s = 0.5
    homed = True
    cleans_up_s = 0.0

    async def home(self) -> None:
        self.did.append("home")
        try:
            await asyncio.Event().wait()
        finally:
            await asyncio.sleep(self.cleans_up_s)

    async def move_to(self, target: float, speed: float) -> float:
        await self._does("move_to")
        return time.monotonic()

    async def jog(self, speed: float, distance: float) -> None:
        await self._does("jog")

    async def stop(self) -> None:
        await self._does("stop")

    async def read(self) -> Reading:
        return Reading(1.0, "um", time.monotonic(), "2031-04-05T09:12:44.120Z")

    def surprises(self) -> AsyncIterator[Surprise]:
        raise NotImplementedError


class StubbornLight(Stubborn, Light):
    """Opened dark."""

    spec = LightSpec(least=0.01, steps=100)
    now = 0.0

    async def open(self) -> Identity:
        self.now = 0.0
        return await super().open()

    async def set_level(self, level: float) -> None:
        await self._does(f"set_level({level:g})")
        self.now = level

    async def level(self) -> float:
        return self.now


@pytest.fixture
def motor() -> StubbornAxis:
    return StubbornAxis()


@pytest.fixture
def axis(motor: StubbornAxis) -> Axis:
    made = guarded(motor, "odd", "stubborn")
    assert isinstance(made, Axis)
    return made


@pytest.fixture
def lamp() -> StubbornLight:
    return StubbornLight()


@pytest.fixture
def light(lamp: StubbornLight) -> Light:
    made = guarded(lamp, "odd", "stubborn")
    assert isinstance(made, Light)
    return made


async def left_behind(motor: StubbornAxis, axis: Axis) -> asyncio.Event:
    """A move that was cancelled and goes on; what lets it come back."""
    motor.holds["move_to"] = held = asyncio.Event()
    move = asyncio.create_task(axis.move_to(500.0, 1000.0))
    await asyncio.sleep(0.05)
    move.cancel()
    with pytest.raises(asyncio.CancelledError):
        await move
    return held


async def back(held: asyncio.Event) -> None:
    held.set()
    await asyncio.sleep(0.05)


async def test_a_stop_between_asking_and_beginning_voids_the_move(motor: StubbornAxis, axis: Axis) -> None:
    """The driver never hears of the move."""
    move = asyncio.ensure_future(axis.move_to(500.0, 1000.0))
    await asyncio.sleep(0)
    assert motor.did == []  # it is asked for, and begins in the next turn of the loop
    await axis.stop()
    with pytest.raises(MotionFailed, match="a stop came before"):
        await move
    assert motor.did == ["stop"]


async def test_a_move_after_a_stop_begins(motor: StubbornAxis, axis: Axis) -> None:
    await axis.stop()
    await axis.move_to(500.0, 1000.0)
    assert motor.did == ["stop", "move_to"]


async def test_a_move_left_behind_is_stopped_and_everything_else_is_refused(motor: StubbornAxis, axis: Axis) -> None:
    held = await left_behind(motor, axis)
    assert motor.did == ["move_to", "stop"]
    for refused in (axis.home(), axis.move_to(1.0, 1.0), axis.jog(1.0, 1.0), axis.read(), axis.health()):
        with pytest.raises(DeviceFault, match=LEFT.format("move_to")):
            await refused
    await axis.stop()
    assert motor.did == ["move_to", "stop", "stop"]
    await back(held)
    await axis.move_to(1.0, 1000.0)
    assert (await axis.read()).value == 1.0


@pytest.mark.parametrize("lost", [LinkTimeout("no answer."), LinkGarbled("noise."), LinkError("unplugged.")])
async def test_a_move_whose_link_fails_is_stopped(axis: Axis, motor: StubbornAxis, lost: LinkError) -> None:
    """Its driver has given it up, and the motor may go on."""

    async def fails(call: str) -> None:
        motor.did.append(call)
        if call == "move_to":
            raise lost

    motor._does = fails  # type: ignore[method-assign]
    with pytest.raises(LinkError):
        await axis.move_to(500.0, 1000.0)
    assert motor.did == ["move_to", "stop"]


async def test_two_left_behind_must_both_come_back(motor: StubbornAxis, axis: Axis) -> None:
    motor.holds["stop"] = stopping = asyncio.Event()
    held = await left_behind(motor, axis)
    await back(held)
    with pytest.raises(DeviceFault, match=LEFT.format("stop")):
        await axis.move_to(1.0, 1000.0)
    await back(stopping)
    await axis.move_to(1.0, 1000.0)


async def test_opening_anew_does_not_forget_what_is_left_behind(motor: StubbornAxis, axis: Axis) -> None:
    """It was sent before, and may still move the motor."""
    held = await left_behind(motor, axis)
    await axis.close()
    await axis.open()
    assert motor.did[-2:] == ["close", "open"]
    with pytest.raises(DeviceFault, match=LEFT.format("move_to")):
        await axis.move_to(1.0, 1000.0)
    await back(held)
    await axis.move_to(1.0, 1000.0)


async def test_an_orderly_end_is_waited_for_and_the_place_can_be_read(motor: StubbornAxis, axis: Axis) -> None:
    """Cancelled twice, as a bench that ends does: what comes to rest is no fault."""
    motor.cleans_up_s = 0.2
    homing = asyncio.create_task(axis.home())
    await asyncio.sleep(0.05)
    homing.cancel()
    await asyncio.sleep(0.05)
    homing.cancel()
    assert (await axis.read()).value == 1.0
    assert not homing.done()
    with pytest.raises(asyncio.CancelledError):
        await homing
    assert "stop" not in motor.did
    assert (await axis.health()).state == "ok"


async def test_a_light_that_comes_on_while_it_is_given_up_is_set_back_before_that_is_told(
    lamp: StubbornLight, light: Light
) -> None:
    """It swallows the cancellation, sets the level and returns at once."""
    lamp.holds["set_level(1)"] = held = asyncio.Event()
    asyncio.get_running_loop().call_later(1.0, held.set)  # after its 0.5 s, before it is left behind
    with pytest.raises(DeviceFault, match="did not come back from set_level"):
        await light.set_level(1.0)
    assert held.is_set()
    assert lamp.now == 0.0


async def test_a_light_opened_anew_is_dark_after_a_call_from_before(lamp: StubbornLight, light: Light) -> None:
    """0.3 was wanted before; nobody has asked for it since."""
    await light.set_level(0.3)
    lamp.holds["set_level(1)"] = held = asyncio.Event()
    with pytest.raises(DeviceFault):
        await light.set_level(1.0)
    await light.close()
    await light.open()
    with pytest.raises(DeviceFault, match=LEFT.format("set_level")):
        await light.set_level(0.3)
    await back(held)
    assert lamp.did[-1] == "set_level(0)"
    assert lamp.now == 0.0
    assert (await light.health()).state == "ok"
