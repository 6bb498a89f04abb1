"""A stop that comes while the line of a move is still on the wire: the stop byte finds a controller at rest."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING

import pytest
import pytest_asyncio

from benchd.devices import MotionFailed
from benchd_drivers.gcode_axis import GcodeAxis
from benchd_drivers.link.port import SerialLink
from tests.drivers.stage import stage_config

if TYPE_CHECKING:
    from tests.drivers.conftest import SimulatedBench

pytestmark = pytest.mark.stack


@pytest_asyncio.fixture
async def link(bench: SimulatedBench) -> AsyncIterator[SerialLink]:
    link = SerialLink.create("board", SerialLink.Config(port=str(bench.folder / "board")))
    await link.open()
    yield link
    await link.close()


@pytest_asyncio.fixture
async def axis(bench: SimulatedBench, link: SerialLink) -> AsyncIterator[GcodeAxis]:
    axis = GcodeAxis.create("stage", stage_config(), link)
    await axis.open()
    await axis.home()
    yield axis
    await axis.close()


async def test_stop_behind_an_unread_line_keeps_the_place(axis: GcodeAxis, link: SerialLink) -> None:
    """Nothing moves after the stop, and the position is trusted: no reset has fallen into a motion that just began."""
    await axis.move_to(5000, 4000)
    for turn in range(20):
        move = asyncio.create_task(axis.move_to(15000 if turn % 2 == 0 else 5000, 4000))
        began = time.monotonic()
        while not any(b" G1 " in frame.data and frame.t_mono > began for frame in link.recent):  # noqa: ASYNC110
            await asyncio.sleep(0)
        await axis.stop()
        place = (await axis.read()).value
        with pytest.raises(MotionFailed):
            await move
        assert axis.homed, (turn, (await axis.health()).text)
        await asyncio.sleep(0.1)
        assert (await axis.read()).value == pytest.approx(place, abs=0.5), turn
