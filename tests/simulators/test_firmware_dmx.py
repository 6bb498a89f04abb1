"""The simulated dimmer: what it makes of bytes, of pauses, and of their absence."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator

import pytest

from benchd_simulators.firmware.dmx import LOST_AFTER_S, PAUSE_S, Dimmer

from .conftest import Bench

HALF = bytes((0, 0x80, 0x00))


async def heard(dimmer: Dimmer, *pieces: bytes) -> float:
    for piece in pieces:
        dimmer.feed(piece)
    await asyncio.sleep(3 * PAUSE_S)
    level = dimmer.level
    dimmer.cease()
    return level


def a_dimmer(address: int = 1) -> Dimmer:
    return Dimmer(lambda _: None, address=address)


async def test_a_frame_sets_its_slot_and_the_finer_part() -> None:
    assert await heard(a_dimmer(), HALF + bytes(510)) == 0x8000 / 0xFFFF
    assert await heard(a_dimmer(2), bytes((0, 1, 0xFF, 0xFF))) == 1.0
    assert await heard(a_dimmer(), b"\0", b"\x80", b"\0") == 0x8000 / 0xFFFF, "in pieces"


async def test_another_start_code_and_a_short_frame_set_nothing() -> None:
    assert await heard(a_dimmer(), bytes((0x17, 0xFF, 0xFF))) == 0.0
    assert await heard(a_dimmer(2), bytes((0, 0xFF, 0xFF))) == 0.0


async def test_frames_whose_pause_was_lost_are_told_apart_where_they_are_whole() -> None:
    dimmer = a_dimmer()
    whole = bytes((0, 1, 1)) + bytes(510)
    assert await heard(dimmer, whole + HALF + bytes(510)) == 0x8000 / 0xFFFF
    assert dimmer.heard == 2


@pytest.mark.parametrize(("on_loss", "then"), [("holds", 1.0), ("dark", 0.0)])
async def test_frames_that_stop(on_loss: str, then: float) -> None:
    dimmer = Dimmer(lambda _: None, on_loss=on_loss)
    dimmer.feed(bytes((0, 0xFF, 0xFF)))
    await asyncio.sleep(LOST_AFTER_S / 2)
    assert dimmer.level == 1.0
    await asyncio.sleep(LOST_AFTER_S / 2 + 0.1)
    assert dimmer.level == then
    dimmer.cease()


@pytest.fixture
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    bench = Bench(tmp_path_factory.mktemp("dimmer") / "run", "--dmx")
    yield bench
    bench.stop()


@pytest.mark.stack
def test_the_worlds_lamp_goes_by_it(bench: Bench) -> None:
    def level() -> float:
        time.sleep(0.1)
        return float(bench.truth()["now"]["lamp_level"])

    port = bench.serial("dmx", baud=250_000)
    port.write(HALF + bytes(510))
    assert level() == 0x8000 / 0xFFFF
    bench.fault("dmx", "on_loss", value="dark")
    bench.fault("dmx", "address", value=3)
    port.write(HALF + bytes((0xFF, 0xFF)) + bytes(508))
    assert level() == 1.0
    time.sleep(LOST_AFTER_S)
    assert level() == 0.0
    refused = bench.tell(do="fault", who="dmx", what="melt", args={})
    assert "on_loss" in refused["error"]
