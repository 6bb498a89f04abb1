"""A camera's answer is bounded while it is read, by what its first bytes say it is."""

from __future__ import annotations

import asyncio
import io
import struct

import pytest
from PIL import Image

from benchd.devices import LinkGarbled, LinkTimeout
from benchd_drivers.picture_head import size_in
from tests.drivers.test_http_camera import camera_on, head

SMALL = b"\x89PNG\r\n\x1a\n" + struct.pack(">I4sIIBBBBB", 13, b"IHDR", 640, 480, 8, 0, 0, 0, 0)
ON_THE_WAY = 16_000_000
"""What the kernel's buffers at both ends may hold at most."""


@pytest.mark.parametrize(
    ("begins", "most", "length"),
    [
        pytest.param(SMALL, 640 * 480 * 8 + (1 << 20), None, id="small_picture_without_end"),
        pytest.param(SMALL, 1 << 18, 250_000_000, id="small_picture_said_to_be_large"),
        pytest.param(b"II*\0\xff\xff\xff\x7f", 8_000_000, None, id="picture_of_unknown_size"),
        pytest.param(b"<html>", 1 << 18, None, id="no_picture"),
    ],
)
async def test_a_body_is_read_no_farther_than_it_can_mean(begins: bytes, most: int, length: int | None) -> None:
    """A picture of 250 MB took the daemon to 1.1 GB, one without end to 365 MB before it was refused."""
    sent = 0

    async def without_end(n: int, writer: asyncio.StreamWriter) -> None:
        nonlocal sent
        writer.write(b"HTTP/1.1 200 OK\r\n\r\n" if length is None else head(length))
        writer.write(begins)
        while sent < 300_000_000:
            writer.write(bytes(1 << 16))
            await writer.drain()
            sent += 1 << 16

    async with camera_on(without_end, largest_mb=8, timeout_s=60.0) as camera:
        with pytest.raises(LinkGarbled, match="MB are the most that can be meant") as told:
            await camera.open()
        assert "largest_mb" in told.value.advice
    assert sent <= most + ON_THE_WAY


async def test_a_body_without_a_length_that_dribbles_ends_at_the_deadline() -> None:
    """Its socket was out of reach, so that a byte now and then kept the driver waiting for ever."""

    async def dribble(n: int, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 200 OK\r\n\r\n" + SMALL)
        while True:
            writer.write(b"0")
            await writer.drain()
            await asyncio.sleep(0.05)

    async with camera_on(dribble, timeout_s=0.5) as camera:
        with pytest.raises(LinkTimeout):
            await asyncio.wait_for(camera.open(), 20.0)


async def test_a_picture_as_large_as_its_pixels_is_taken() -> None:
    file = io.BytesIO()
    Image.effect_noise((1200, 900), 90).convert("RGB").save(file, "TIFF")
    picture = file.getvalue()

    async def whole(n: int, writer: asyncio.StreamWriter) -> None:
        writer.write(head(len(picture)) + picture)

    async with camera_on(whole) as camera:
        await camera.open()
        assert (await camera.grab()).data == picture


@pytest.mark.parametrize(
    ("kind", "mode"), [("PNG", "L"), ("PNG", "RGB"), ("JPEG", "L"), ("JPEG", "RGB"), ("TIFF", "L")]
)
def test_size_is_read_as_a_decoder_reads_it(kind: str, mode: str) -> None:
    """Held against Pillow."""
    file = io.BytesIO()
    Image.new(mode, (321, 123), 7 if mode == "L" else (1, 2, 3)).save(
        file, kind, **({"progressive": True} if kind == "JPEG" else {})
    )
    assert size_in(file.getvalue()) == (321, 123)
    for length in range(0, 200, 7):
        assert size_in(file.getvalue()[:length]) in (None, (321, 123))
