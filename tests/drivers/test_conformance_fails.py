"""The conformance kit fails a driver that does not end when it is cancelled, and says so."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator

import pytest

from benchd.devices import Axis, AxisSpec, Health, Identity, Reading, Surprise
from benchd.testing.axis_conformance import AxisContract
from benchd.testing.rig import Rig

SPEED = 1000.0


class Deaf(Axis):
    """A carriage with a bare `except:` around its waiting, as people write it; `ends` lets go of it."""

    spec = AxisSpec("um", 0.0, 10_000.0, 0.1, SPEED, 5000.0, 0.1)
    rests_within_s = 0.3
    homed = True

    def __init__(self) -> None:
        self.name = "deaf"
        self.ends = asyncio.Event()
        self.began_s: float | None = None

    @classmethod
    def create(cls, name: str, config: object, link: object) -> Deaf:
        return cls()

    async def open(self) -> Identity:
        return Identity(model="deaf")

    async def close(self) -> None:
        pass

    async def health(self) -> Health:
        return Health("ok")

    async def home(self) -> None:
        pass

    async def move_to(self, target: float, speed: float) -> float:
        self.began_s = time.monotonic()
        far = target > 0.5 * self.spec.high
        while far and not self.ends.is_set():
            with contextlib.suppress(BaseException):
                await self.ends.wait()
        return time.monotonic()

    async def jog(self, speed: float, distance: float) -> None:
        pass

    async def stop(self) -> None:
        pass

    async def read(self) -> Reading:
        way_um = 0.0 if self.began_s is None else SPEED * (time.monotonic() - self.began_s)
        return Reading(way_um, "um", time.monotonic(), "2031-04-05T09:12:44.120Z")

    def surprises(self) -> AsyncIterator[Surprise]:
        raise NotImplementedError


async def test_a_move_that_swallows_its_cancellation_fails_the_kit() -> None:
    """The kit waited for it without an end; its author saw a test that hung."""
    deaf = Deaf()
    kit = AxisContract()
    with pytest.raises(pytest.fail.Exception, match=r"a cancelled move has not ended after 0\.3 s"):
        await kit.test_cancelled_move_leaves_the_axis_at_rest_and_usable(Rig(deaf))
    deaf.ends.set()
    await asyncio.sleep(0)
