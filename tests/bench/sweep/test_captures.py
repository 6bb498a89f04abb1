"""A picture belongs to one place: what a stop cut into is taken again, and the place is read at both ends of it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, cast

import pytest

from benchd.arrangements.places import OnCarriage
from benchd.bench.datum.chain import Chain
from benchd.bench.gate import Gate
from benchd.bench.sweep.captures import Captures
from benchd.detectors.values import Capture
from benchd.devices import Reading

CHAIN = Chain((), (), 1000.0, 0.0, (), (), (), OnCarriage(24000.0, 0.0, 1000.0), 0.0, None)
UTC = "2026-01-01T00:00:00Z"


class Carriage:
    """Goes where it is sent at once, and stands `crept_um` further when it is read again."""

    overshoot_um = 100.0
    limits_um = (0.0, 30000.0)
    stops = 0
    crept_um = 0.0
    approaches = 0

    async def go(self, target_um: float, *, exact: bool = True, settled: Callable[[], None] = lambda: None) -> Reading:
        self.approaches += 1
        self._um = target_um
        settled()
        return Reading(target_um, "um", 0.0, UTC)

    async def read(self) -> Reading:
        return Reading(self._um + self.crept_um, "um", 0.0, UTC)


class Camera:
    """Gives captures numbered from 1; `during` is called while one is taken."""

    def __init__(self, during: Callable[[int], None] = lambda n: None) -> None:
        self.taken = 0
        self._during = during

    async def capture(self) -> Capture:
        self.taken += 1
        await asyncio.sleep(0)
        self._during(self.taken)
        return Capture(self.taken, 0.0, UTC)


class Still:
    """A clock that stands."""

    def monotonic(self) -> float:
        return 0.0


def shots(carriage: Carriage, camera: Camera) -> Captures:
    keeper = SimpleNamespace(chain=CHAIN, check_depth=lambda depth_um: None)
    return Captures(cast(Any, carriage), camera.capture, cast(Any, keeper), cast(Any, Still()))


async def test_a_picture_that_a_stop_cut_into_is_taken_again() -> None:
    """The stop is over and the run goes on before the picture is there: only the count of stops tells."""
    carriage = Carriage()

    def stopped(n: int) -> None:
        carriage.stops += n == 1

    shot = await shots(carriage, Camera(stopped)).take(5.0, Gate())
    assert (shot.capture.data, carriage.approaches) == (2, 2)


async def test_a_picture_that_a_pause_cut_into_is_taken_again_once_it_is_over() -> None:
    gate, carriage = Gate(), Carriage()

    def paused(n: int) -> None:
        if n == 1:
            gate.close()
            asyncio.get_running_loop().call_later(0.02, gate.open)

    shot = await shots(carriage, Camera(paused)).take(5.0, gate)
    assert (shot.capture.data, carriage.approaches) == (2, 2)


async def test_the_place_of_a_picture_is_the_middle_of_before_and_after() -> None:
    carriage = Carriage()
    carriage.crept_um = 0.8
    shot = await shots(carriage, Camera()).take(5.0, Gate())
    assert shot.carriage_um == pytest.approx(1005.4)
    assert shot.offset_um == pytest.approx(5.4)
