"""What comes out of the bytes of a picture, and what is refused."""

from __future__ import annotations

import struct
import zlib
from io import BytesIO
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from benchd.imaging.picture import decode, linear_table, read_picture
from benchd.imaging.refusals import PictureRefused

GREY8: NDArray[np.uint8] = np.arange(48 * 64, dtype=np.uint8).reshape(48, 64)
GREY16: NDArray[np.uint16] = (np.arange(48 * 64, dtype=np.uint32) * 21).astype(np.uint16).reshape(48, 64)


def encoded(image: Image.Image, kind: str, **options: Any) -> bytes:
    out = BytesIO()
    image.save(out, format=kind, **options)
    return out.getvalue()


def png(width: int, height: int, depth: int, colour: int, rows: bytes, *extra: tuple[bytes, bytes]) -> bytes:
    """A PNG by its specification (W3C PNG, section 5), for what the library cannot write."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0)
    middle = b"".join(chunk(name, body) for name, body in extra)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + middle
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_grey_comes_back_value_for_value(kind: str) -> None:
    for grey in (GREY8, GREY16):
        picture = read_picture(encoded(Image.fromarray(grey), kind))
        assert picture.values.dtype == grey.dtype
        assert np.array_equal(picture.values, grey)
        assert picture.full_scale == np.iinfo(grey.dtype).max
        assert picture.notes == ()
        assert picture.linear
        assert np.array_equal(decode(encoded(Image.fromarray(grey), kind)), grey)


def test_sixteen_bits_in_the_order_of_the_format() -> None:
    values = np.array([[1, 256, 65535], [4660, 0, 513]], dtype=np.uint16)
    rows = b"".join(b"\x00" + row.astype(">u2").tobytes() for row in values)
    assert np.array_equal(decode(png(3, 2, 16, 0, rows)), values)


def test_jpeg_is_grey_but_labelled() -> None:
    smooth = np.tile(np.linspace(20, 220, 64).astype(np.uint8), (48, 1))
    picture = read_picture(encoded(Image.fromarray(smooth), "JPEG", quality=95))
    assert picture.notes == ("lossy", "gamma_encoded")
    assert not picture.linear
    assert int(np.abs(picture.values.astype(int) - smooth).max()) < 5


def test_colour_becomes_luma() -> None:
    """ITU-R BT.601 luma weights .299 .587 .114."""
    colour = np.zeros((4, 3, 3), dtype=np.uint8)
    for k in range(3):
        colour[:, k, k] = 200
    picture = read_picture(encoded(Image.fromarray(colour), "PNG"))
    assert picture.notes == ("colour_to_luma",)
    assert picture.values[0] == pytest.approx([200 * 0.299, 200 * 0.587, 200 * 0.114], abs=1.0)


def test_other_kinds_of_pixels() -> None:
    rgba = read_picture(encoded(Image.new("RGBA", (8, 8), (9, 9, 9, 20)), "PNG"))
    assert rgba.notes == ("alpha_dropped", "colour_to_luma")
    assert rgba.values[0, 0] == 9
    grey_alpha = read_picture(encoded(Image.new("LA", (8, 8), (77, 3)), "PNG"))
    assert (grey_alpha.values[0, 0], grey_alpha.notes) == (77, ("alpha_dropped",))
    palette = read_picture(encoded(Image.fromarray(GREY8).convert("P"), "PNG"))
    assert palette.values.shape == GREY8.shape


def test_lost_bits_of_deep_colour_are_noted() -> None:
    pixel = struct.pack(">HHH", 0x8012, 0x8034, 0x8056)
    picture = read_picture(png(2, 2, 16, 2, (b"\x00" + pixel * 2) * 2))
    assert picture.values[0, 0] == 0x80
    assert "bits_lost" in picture.notes


def test_a_file_that_says_it_is_not_linear() -> None:
    rows = (b"\x00" + bytes(4)) * 4
    assert read_picture(png(4, 4, 8, 0, rows)).linear
    assert read_picture(png(4, 4, 8, 0, rows, (b"gAMA", struct.pack(">I", 100000)))).linear
    assert not read_picture(png(4, 4, 8, 0, rows, (b"gAMA", struct.pack(">I", 45455)))).linear
    assert not read_picture(png(4, 4, 8, 0, rows, (b"sRGB", b"\x00"))).linear


def test_refused_kinds() -> None:
    floating = encoded(Image.fromarray(np.ones((8, 8), dtype=np.float32)), "TIFF")
    two_levels = encoded(Image.new("1", (8, 8)), "PNG")
    for data in (floating, two_levels):
        with pytest.raises(PictureRefused) as caught:
            decode(data)
        assert caught.value.code == "unsupported"
    with pytest.raises(PictureRefused) as caught:
        decode(encoded(Image.fromarray(GREY8), "BMP"))
    assert caught.value.code == "unreadable"
    assert caught.value.text.endswith("picture: they begin like none of these.")


@pytest.mark.parametrize("size", [(12000, 11000), (60000, 60000)])
def test_a_picture_too_large_is_refused_before_it_is_unpacked(size: tuple[int, int]) -> None:
    with pytest.raises(PictureRefused) as caught:
        decode(png(*size, 8, 0, b""))
    assert caught.value.code == "too_large"


def test_empty_and_truncated() -> None:
    whole = encoded(Image.fromarray(GREY16), "PNG")
    for data in (b"", b"not a picture", whole[:40], whole[: len(whole) // 2]):
        with pytest.raises(PictureRefused) as caught:
            decode(data)
        assert caught.value.code == "unreadable"
        assert f"{len(data)} bytes" in caught.value.text


@pytest.mark.filterwarnings("ignore::UserWarning:PIL")  # the decoder's own words on damaged tags
@settings(max_examples=200, deadline=None)
@given(st.data())
def test_damaged_bytes_are_refused_or_read_but_never_crash(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(["PNG", "JPEG", "TIFF"]))
    whole = bytearray(encoded(Image.fromarray(GREY8), kind))
    for _ in range(data.draw(st.integers(1, 6))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    try:
        values = decode(bytes(whole))
    except PictureRefused:
        return
    assert values.ndim == 2


def test_a_table_makes_a_gamma_linear() -> None:
    table = linear_table(2.2, 255)
    light = np.linspace(0.0, 1.0, 50)
    assert table[np.rint(255 * light ** (1 / 2.2)).astype(int)] / 255 == pytest.approx(light, abs=0.005)
    with pytest.raises(ValueError, match="positive"):
        linear_table(0.0, 255)
