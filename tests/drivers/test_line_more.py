"""Devices of lines that send by themselves, carry a check, or light up; over a real pseudo-terminal."""

from __future__ import annotations

import asyncio
import re
import threading
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from pydantic import ValidationError

from benchd.devices import DeviceError, LinkGarbled, LinkTimeout
from benchd.testing.conformance import LightContract, MeterContract
from benchd.testing.leaks import no_leaks
from benchd.testing.peer import PtyPeer, line_peer
from benchd.testing.rig import Rig
from benchd_drivers.line import LineDriver
from benchd_drivers.line_light import LineLight, LineLightConfig
from benchd_drivers.line_text import unchecked
from benchd_drivers.link.port import SerialLink
from tests.drivers.test_example_driver import Lamp

__all__ = ["no_leaks"]

EVERY_S = 0.02
METER: dict[str, Any] = {"pattern": r"^H=([-+0-9.]+)$", "quantity": "height", "unit": "mm", "timeout_s": 0.5}
LAMP: dict[str, Any] = {
    "set": "LIGHT {:.2f}",
    "set_pattern": r"^LIGHT [0-9.]+$",
    "ask": "LIGHT?",
    "pattern": r"^LIGHT ([0-9.]+)$",
}


@contextmanager
def sending(peer: PtyPeer, lines: Iterator[bytes]) -> Iterator[None]:
    """A device that sends by itself, in pieces as they come."""
    over = threading.Event()

    def send() -> None:
        while not over.wait(EVERY_S):
            text = next(lines)
            peer.send(text[: len(text) // 2])
            time.sleep(0.002)
            peer.send(text[len(text) // 2 :])

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


@asynccontextmanager
async def meter(peer: PtyPeer, **config: Any) -> AsyncIterator[Any]:
    link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
    await link.open()
    made = LineDriver.create("sensor", LineDriver.Config(**{**METER, **config}), link)
    try:
        yield made
    finally:
        await made.close()
        await link.close()


def counting() -> Iterator[bytes]:
    number = 0
    while True:
        number += 1
        yield b"H=%d\r\n" % number


async def test_of_what_comes_by_itself_a_reading_is_none_from_before_it_was_asked_for() -> None:
    with PtyPeer() as peer, sending(peer, counting()):
        async with meter(peer) as sensor:
            await sensor.open()
            last = 0.0
            for _ in range(5):
                await asyncio.sleep(0.1)
                began, before = time.monotonic(), sensor._stream.count
                reading = await sensor.read()
                assert reading.value > last
                assert sensor._stream.count >= before + 2, "the first that came may have been begun before"
                assert began <= reading.t_mono <= time.monotonic()
                last = reading.value


async def test_what_sends_nothing_is_told_in_time() -> None:
    with PtyPeer() as peer:
        async with meter(peer, timeout_s=0.1) as sensor:
            await sensor._stream.begin()
            with pytest.raises(LinkTimeout, match="has sent no line within"):
                await sensor.read()
            assert (await sensor.health()).code == "timeout"


@pytest.mark.published
@pytest.mark.parametrize(
    ("line", "text"),
    [
        (b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", "GPGGA,123519"),
        (b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*46", None),
        (b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", None),
    ],
)
def test_a_check_by_xor_is_that_of_nmea_0183(line: bytes, text: str | None) -> None:
    """The sentence that receivers' manuals show of NMEA 0183, with its check 47; from memory."""
    told = unchecked(line, "xor")
    assert told is None if text is None else told is not None and told.startswith(f"${text}")


@pytest.mark.parametrize("bad", [2, 3])
async def test_fault_26_a_line_whose_check_does_not_fit_is_left_out(bad: int) -> None:
    """Of three in a row the third is believed; where none fits, it is garbled and no value."""

    def lines() -> Iterator[bytes]:
        number = 0
        while True:
            number += 1
            text = b"H=%d.5" % (100 if number % bad else 900)
            check = sum(text) % 256 if number % bad else 0
            yield b"%s*%02X\n" % (text, check)

    with PtyPeer() as peer, sending(peer, lines()):
        async with meter(peer, checksum="sum") as sensor:
            await sensor.open()
            for _ in range(6):
                assert (await sensor.read()).value == 100.5


async def test_fault_26_nothing_is_believed_without_its_check() -> None:
    with line_peer(lambda _: b"H=12.5\n") as peer:
        async with meter(peer, ask="H?", checksum="xor") as sensor:
            with pytest.raises(LinkGarbled, match="with a check by xor"):
                await sensor.read()


@pytest.mark.parametrize(
    ("config", "told"),
    [
        ({"identity_ask": "ID", "identity_pattern": "x"}, "nothing for a device that is not asked"),
        ({"terminator": "\r"}, "end its lines in a line feed"),
        ({"checksum": "crc"}, "'xor' or 'sum'"),
    ],
)
def test_what_does_not_go_with_sending_by_itself_is_refused(config: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        LineDriver.Config(**{**METER, **config})


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("set", "LIGHT", "set needs one"),
        ("set", "LIGHT {0.__class__}", "set needs one"),
        ("set", "LIGHT {} {}", "set needs one"),
        ("pattern", "LIGHT", "exactly one group"),
        ("safe_level", 1.5, "less than or equal to 1"),
    ],
)
def test_what_a_light_cannot_go_by_is_refused(key: str, value: Any, told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        LineLightConfig(**{**LAMP, key: value})


class TestStreamedMeter(MeterContract):
    @pytest_asyncio.fixture
    async def rig(self, no_leaks: None) -> AsyncIterator[Rig]:
        with PtyPeer() as peer, sending(peer, counting()):
            async with meter(peer) as sensor:
                await sensor.open()
                yield Rig(sensor, sensor._link)


class TestLineLight(LightContract):
    @pytest_asyncio.fixture
    async def rig(self, no_leaks: None, tmp_path: Path) -> AsyncIterator[Rig]:
        lamp = Lamp(tmp_path / "lamp")
        await lamp.plug()
        link = SerialLink.create("lamp", SerialLink.Config(port=str(lamp.port)))
        config = LineLightConfig(**LAMP, identity_ask="ID", identity_pattern="plain light")
        try:
            await link.open()
            light = LineLight.create("lamp", config, link)
            assert (await light.open()).model == "ID plain light 1"
            assert lamp.level == b"0.00"
            yield Rig(light, link, lamp)
            await light.set_level(0.5)
            await light.close()
            assert lamp.level == b"0.00"
        finally:
            await link.close()
            await lamp.garbage(0.0)
            await lamp.unplug()

    async def test_fault_29_a_level_that_was_altered_is_not_left(self, rig: Rig) -> None:
        """It sets another level than it is told: dark, and said so."""
        lamp: Any = rig.hands
        honest = lamp.said

        def altered(text: bytes) -> bytes:
            if re.fullmatch(rb"LIGHT 0\.30", text):
                text = b"LIGHT 0.90"
            return bytes(honest(text))

        lamp.said = altered
        with pytest.raises(DeviceError, match=r"was told 'LIGHT 0\.30' and has 0\.9"):
            await rig.device.set_level(0.3)  # type: ignore[attr-defined]
        assert lamp.level == b"0.00"
        assert (await rig.device.health()).state == "degraded"
