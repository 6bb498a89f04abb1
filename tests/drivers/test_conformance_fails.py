"""The conformance kit fails a driver that breaks its contract, and says in which call."""

from __future__ import annotations

import asyncio
import contextlib
import math
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from typing import Any

import pytest

from benchd.devices import Axis, AxisSpec, Health, Identity, LinkError, Reading, Surprise
from benchd.testing.axis_conformance import AxisContract
from benchd.testing.rig import Hands, Rig

SPEED = 1000.0
NOW_UTC = "2031-04-05T09:12:44.120Z"


class Sound(Axis):
    """A carriage that is wherever it is sent, at once."""

    spec = AxisSpec("um", 0.0, 10_000.0, 0.1, SPEED, 5000.0, 0.1)
    answers_within_s = 0.2
    rests_within_s = 0.3
    homed = True

    def __init__(self) -> None:
        self.name = "carriage"
        self.at_um = 0.0

    @classmethod
    def create(cls, name: str, config: object, link: object) -> Sound:
        return cls()

    async def open(self) -> Identity:
        return Identity(model="carriage")

    async def close(self) -> None:
        pass

    async def health(self) -> Health:
        return Health("ok")

    async def home(self) -> None:
        pass

    async def move_to(self, target: float, speed: float) -> float:
        self.at_um = target
        return time.monotonic()

    async def jog(self, speed: float, distance: float) -> None:
        pass

    async def stop(self) -> None:
        pass

    async def read(self) -> Reading:
        return Reading(self.at_um, "um", time.monotonic(), NOW_UTC)

    def surprises(self) -> AsyncIterator[Surprise]:
        raise NotImplementedError


class Deaf(Sound):
    """One with a bare `except:` around its waiting, as people write it; `ends` lets go of it."""

    def __init__(self) -> None:
        super().__init__()
        self.ends = asyncio.Event()
        self.began_s: float | None = None

    async def move_to(self, target: float, speed: float) -> float:
        self.began_s = time.monotonic()
        far = target > 0.5 * self.spec.high
        while far and not self.ends.is_set():
            with contextlib.suppress(BaseException):
                await self.ends.wait()
        return time.monotonic()

    async def read(self) -> Reading:
        way_um = 0.0 if self.began_s is None else SPEED * (time.monotonic() - self.began_s)
        return Reading(way_um, "um", time.monotonic(), NOW_UTC)


class Untold(Sound):
    """It looks its state up under a name that is not there."""

    async def health(self) -> Health:
        return {"Idle": Health("ok")}["Run"]


class Unread(Sound):
    """The error of its port comes through as it is."""

    async def read(self) -> Reading:
        raise OSError(5, "Input/output error")


class Silent(Sound):
    """It waits for an answer without a limit."""

    async def read(self) -> Reading:
        await asyncio.Event().wait()
        raise AssertionError


class SilentAndCaught(Silent):
    """And takes the end of its waiting for an error of the line."""

    async def read(self) -> Reading:
        try:
            return await super().read()
        except BaseException as error:
            raise LinkError("No answer.", device=self.name) from error


class Odd(Sound):
    """It hands on whatever came: `changes` of a good reading, or `instead` of one."""

    def __init__(self, instead: Any = None, **changes: Any) -> None:
        super().__init__()
        self._instead, self._changes = instead, changes

    async def read(self) -> Reading:
        good = await super().read()
        odd: Reading = replace(good, **self._changes) if self._instead is None else self._instead
        return odd


class Unstopped(Sound):
    """It waits for a standstill that it never sees."""

    async def stop(self) -> None:
        await asyncio.Event().wait()


async def test_a_sound_one_passes_what_the_bad_ones_fail() -> None:
    kit = AxisContract()
    await kit.test_health_says_something(Rig(Sound()))
    await kit.test_close_twice_then_open_again(Rig(Sound()))
    await kit.test_many_callers_at_once(Rig(Sound()))
    await kit.test_moves_end_where_they_were_sent(Rig(Sound()))
    await kit.test_stop_at_rest_many_times_at_once(Rig(Sound()))


async def test_health_that_raises_what_is_foreign_fails_the_kit() -> None:
    with pytest.raises(pytest.fail.Exception, match=r"health\(\) raised KeyError\('Run'\)"):
        await AxisContract().test_health_says_something(Rig(Untold()))


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (Unread(), r"read\(\) raised OSError\(5, .*no error of benchd\.devices"),
        (Silent(), r"read\(\) has not come back within 0\.2 s"),
        (SilentAndCaught(), r"read\(\) has not come back within 0\.2 s"),
        (Odd(unit="mm"), r"read\(\) answered in 'mm', not in 'um'"),
        (Odd(value=math.nan), r"read\(\) answered nan, which is no finite number"),
        (Odd(value="12.5"), r"read\(\) answered '12\.5', which is no finite number"),
        (Odd("12.5"), r"read\(\) answered '12\.5', which is no Reading"),
    ],
    ids=["raises", "hangs", "hangs, caught", "unit", "nan", "number as text", "text"],
)
async def test_a_bad_read_fails_the_kit(bad: Sound, words: str) -> None:
    """One that hung kept the kit waiting without an end; of NaN it said 'still moving'."""
    kit = AxisContract()
    for test in (
        kit.test_close_twice_then_open_again,
        kit.test_many_callers_at_once,
        kit.test_not_homed_it_does_not_move,
        kit.test_moves_end_where_they_were_sent,
    ):
        with pytest.raises(pytest.fail.Exception, match=words):
            await asyncio.wait_for(test(Rig(bad)), 5.0)


async def test_a_stop_that_never_returns_fails_the_kit() -> None:
    kit = AxisContract()
    for test in (kit.test_stop_at_rest_many_times_at_once, kit.test_stop_at_rest_then_move_and_jog):
        with pytest.raises(pytest.fail.Exception, match=r"stop\(\) has not come back within 0\.3 s"):
            await asyncio.wait_for(test(Rig(Unstopped())), 5.0)


class Cable(Hands):
    """Hands that can do nothing but pull a cable."""

    async def unplug(self) -> None: ...


def test_hands_that_cannot_do_all_leave_untested_what_they_cannot_and_say_so() -> None:
    """An author whose hardware allows one fault only had to write the others, or was told of none."""
    kit, rig = AxisContract(), Rig(Sound(), hands=Cable())
    assert kit.hands(rig, "unplug") is rig.hands
    with pytest.raises(pytest.skip.Exception, match="these hands have no plug, garbage"):
        kit.hands(rig, "unplug", "plug", "garbage")


async def test_a_move_that_swallows_its_cancellation_fails_the_kit() -> None:
    """The kit waited for it without an end; its author saw a test that hung."""
    deaf = Deaf()
    kit = AxisContract()
    with pytest.raises(pytest.fail.Exception, match=r"a cancelled move has not ended after 0\.3 s"):
        await kit.test_cancelled_move_leaves_the_axis_at_rest_and_usable(Rig(deaf))
    deaf.ends.set()
    await asyncio.sleep(0)
