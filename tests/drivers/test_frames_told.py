"""The last bytes on a failing link reach the person: in the event and in the record."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from benchd.bench.events import FRAME_CHARACTERS, FRAMES_IN_EVENT, Events, printable_frames
from benchd.bench.notices import Notices
from benchd.devices import Clock, DeviceError, FrameLog
from benchd.records.store import Store
from benchd_drivers.gcode_axis import GcodeAxis
from benchd_drivers.link.port import SerialLink
from tests.drivers.stage import stage_config

if TYPE_CHECKING:
    from tests.drivers.conftest import SimulatedBench


async def failure(bench: SimulatedBench, fault: str) -> DeviceError:
    """What the axis says of a board that is silent, or talks at another rate."""
    link = SerialLink.create("board", SerialLink.Config(port=str(bench.folder / "board")))
    axis = GcodeAxis.create("stage", stage_config(), link)
    await link.open()
    await axis.open()
    try:
        await bench.fault("board", fault, s=30)
        with pytest.raises(DeviceError) as caught:
            async with asyncio.timeout(120):
                await axis.read()
        return caught.value
    finally:
        await bench.fault("board", "clear")
        await axis.close()
        await link.close()


@pytest.mark.stack
@pytest.mark.parametrize("fault", ["silence", "wrong_baud"])
async def test_a_real_failure_brings_its_frames_to_event_and_record(
    bench: SimulatedBench, fault: str, tmp_path: Path
) -> None:
    error = await failure(bench, fault)
    assert error.frames
    notices, clock = Notices(), Clock()
    store = await Store.open("sqlite:///bench.db", tmp_path, clock)
    with notices.subscribe() as heard:
        events = Events(notices, store, clock)
        events.error(error)
        told = await anext(aiter(heard))
        await events.close()
    (kept,) = await store.events()
    await store.close()
    assert told.doc is not None
    frames = told.doc["data"]["frames"]
    assert any(frame.startswith("out ") and "?" in frame for frame in frames), frames
    assert all(frame.isascii() and frame.isprintable() for frame in frames)
    assert json.loads(json.dumps(told.doc))["data"]["frames"] == frames
    assert kept.data["frames"] == frames


def test_frames_are_bounded_printable_and_newest_last() -> None:
    ring = [FrameLog("in", bytes(range(256)) * 4, float(i)) for i in range(20)]
    ring.append(FrameLog("out", b"?\n", 20.5))
    told = printable_frames(ring)
    assert len(told) == FRAMES_IN_EVENT
    assert all(frame.isascii() and frame.isprintable() and len(frame) <= FRAME_CHARACTERS + 20 for frame in told)
    assert told[-1] == r"out +0.000 s ?\n"
    assert told[-2].startswith(r"in  -1.500 s \x00\x01")
