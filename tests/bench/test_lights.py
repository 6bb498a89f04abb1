"""The time that a light was given holds, whatever else is asked of it and refused."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from types import SimpleNamespace
from typing import Any

import pytest

from benchd.bench import lights as rules
from benchd.bench.assembly import Assembly
from benchd.bench.lights import Lights
from benchd.devices import Clock, DeviceError
from benchd.errors import BenchdError, Refused
from tests.fakes.devices import FakeLight


class Lamp(FakeLight):
    """Sets no level while somebody holds its turn."""

    def __init__(self) -> None:
        super().__init__("lamp", Clock(), steps=100)
        self.turn = asyncio.Lock()

    async def set_level(self, level: float) -> None:
        async with self.turn:
            await super().set_level(level)


@pytest.fixture
def lamp() -> Lamp:
    return Lamp()


@pytest.fixture
async def lights(lamp: Lamp, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Lights]:
    monkeypatch.setattr(rules, "RETRY_S", 0.05, raising=False)
    found = Lights(Assembly({}, {"lamp": lamp}, {}), Clock())
    yield found
    await found.close()


async def until(done: Callable[[], bool]) -> None:
    async with asyncio.timeout(5.0):
        while not done():  # noqa: ASYNC110 # a device that is looked at, as a person would
            await asyncio.sleep(0.001)


async def test_a_level_that_is_refused_leaves_the_time_of_the_one_before(lights: Lights, lamp: Lamp) -> None:
    """Its time was forgotten before the new level was accepted, and the light stayed on for good."""
    await lights.set("lamp", level=0.8, for_s=0.3, by="wall")
    lamp.refuses = 1
    with pytest.raises(DeviceError):
        await lights.set("lamp", level=0.5, by="wall")
    assert lamp.now == 0.8
    await until(lambda: lamp.now == 0.0)


async def test_a_light_that_cannot_be_put_out_yet_is_put_out_later(lights: Lights, lamp: Lamp) -> None:
    """One refusal at the end of its time, and it was never tried again."""
    await lights.set("lamp", level=0.8, for_s=0.05, by="wall")
    lamp.refuses = 3
    await until(lambda: lamp.now == 0.0)
    assert lamp.refuses == 0


async def test_a_level_that_is_accepted_has_no_time_of_the_one_before(lights: Lights, lamp: Lamp) -> None:
    await lights.set("lamp", level=0.8, for_s=0.1, by="wall")
    await lights.set("lamp", level=0.5, by="wall")
    await asyncio.sleep(0.3)
    assert lamp.now == 0.5


async def test_who_lights_it_anew_is_not_put_out_by_an_end_that_was_tried_in_vain(lights: Lights, lamp: Lamp) -> None:
    await lights.set("lamp", level=0.8, for_s=0.01, by="wall")
    lamp.refuses = 1
    await until(lambda: lamp.refuses == 0)
    await lights.set("lamp", level=0.5, by="rail")
    await asyncio.sleep(0.2)
    assert lamp.now == 0.5


@pytest.mark.parametrize("for_s", [None, 30.0])
async def test_of_two_levels_that_waited_together_the_time_of_the_first_is_forgotten(
    lights: Lights, lamp: Lamp, for_s: float | None
) -> None:
    """A level asked for while another, with a time, still waited for the carriage to stand went dark by that time."""
    async with lamp.turn:
        first = asyncio.create_task(lights.set("lamp", level=0.8, for_s=0.1, by="wall"))
        second = asyncio.create_task(lights.set("lamp", level=0.5, for_s=for_s, by="rail"))
        await asyncio.sleep(0.01)
    await asyncio.gather(first, second)
    assert lamp.now == 0.5
    await asyncio.sleep(0.3)
    assert lamp.now == 0.5


async def test_a_dark_reading_puts_the_light_out_and_back_as_nobodys_change(lights: Lights, lamp: Lamp) -> None:
    await lights.set("lamp", level=0.8, by="wall")
    before = lights.set_since("lamp", 0.0)
    async with lights.darkened("lamp"):
        assert lamp.now == 0.0
    assert lamp.now == 0.8
    assert lights.set_since("lamp", 0.0) == before
    with pytest.raises(RuntimeError):
        async with lights.darkened("lamp"):
            raise RuntimeError
    assert lamp.now == 0.8


async def test_a_light_that_somebody_sets_during_a_dark_reading_stays_so(lights: Lights, lamp: Lamp) -> None:
    await lights.set("lamp", level=0.8, by="wall")
    with pytest.raises(BenchdError, match="was set while it was out"):
        async with lights.darkened("lamp"):
            await lights.set("lamp", level=0.1, by="phone")
    assert lamp.now == 0.1


async def test_a_light_does_not_come_back_under_an_emergency_stop(lights: Lights, lamp: Lamp) -> None:
    await lights.set("lamp", level=0.8, by="wall")
    pressed: Any = SimpleNamespace(sentence="Pressed.", advice="Release it.", data={})
    with pytest.raises(Refused, match="Pressed"):
        async with lights.darkened("lamp"):
            lights.emergency = lambda: pressed
    assert lamp.now == 0.0


async def test_a_level_that_is_on_its_way_as_a_dark_reading_ends_is_not_overtaken(lights: Lights, lamp: Lamp) -> None:
    """The level of before the reading came behind it, and what somebody had set was gone without a word."""
    await lights.set("lamp", level=0.8, by="wall")
    reading = lights.darkened("lamp")
    await reading.__aenter__()
    async with lamp.turn:  # as while a carriage moves
        setting = asyncio.create_task(lights.set("lamp", level=0.1, by="phone"))
        await asyncio.sleep(0.01)
        ended = asyncio.ensure_future(reading.__aexit__(None, None, None))
        await asyncio.sleep(0.01)
    await setting
    with pytest.raises(BenchdError, match="was set while it was out"):
        await ended
    assert lamp.now == 0.1


async def test_a_light_that_is_set_as_a_dark_reading_begins_is_not_put_out(lights: Lights, lamp: Lamp) -> None:
    await lights.set("lamp", level=0.8, by="wall")
    reading = lights.darkened("lamp")
    begun = asyncio.ensure_future(reading.__aenter__())
    await asyncio.sleep(0)  # it asks for the level
    await lights.set("lamp", level=0.1, by="phone")
    with pytest.raises(BenchdError, match="was set while it was out"):
        await begun
    assert lamp.set_to == [0.8, 0.1]
