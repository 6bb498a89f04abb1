"""Parts of an endless answer, however its bytes are cut."""

from __future__ import annotations

import random

import pytest

from benchd_drivers.multipart import NotParts, Part, PartsReader, boundary_of


def part(body: bytes, *fields: str) -> bytes:
    return b"--cut\r\n" + "".join(f"{field}\r\n" for field in fields).encode() + b"\r\n" + body + b"\r\n"


def reader(most: int = 1000) -> PartsReader:
    return PartsReader(b"--cut", lambda _: most)


@pytest.mark.parametrize("told", [True, False])
def test_parts_are_the_same_however_they_are_cut(told: bool) -> None:
    bodies = [b"one", b"--cu\r\n--", b"", bytes(range(256))]
    whole = (
        b"ignored\r\n"
        + b"".join(
            part(body, *([f"Content-Length: {len(body)}"] if told else []), f"X-Frame-Time: {n}")
            for n, body in enumerate(bodies)
        )
        + b"--cut"
    )
    for seed in range(20):
        rng, parts, at, taking = random.Random(seed), [], 0, reader()
        while at < len(whole):
            step = rng.choice((1, 2, 7, 60, 1000))
            parts += taking.feed(whole[at : at + step])
            at += step
        assert [one.body for one in parts] == bodies
        assert [one.headers["x-frame-time"] for one in parts] == ["0", "1", "2", "3"]


def test_a_length_is_believed_though_the_boundary_stands_in_the_picture() -> None:
    body = b"a\r\n--cut\r\nb"
    assert reader().feed(part(body, f"Content-Length: {len(body)}")) == [Part({"content-length": "11"}, body)]


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (bytes(9000), "no boundary"),
        (part(b"x", "Content-Length: -1"), "length"),
        (part(b"x", "Content-Length: 1001"), "the most"),
        (b"--cut\r\n\r\n" + bytes(1001), "the most"),
    ],
)
def test_refused(data: bytes, why: str) -> None:
    with pytest.raises(NotParts, match=why):
        reader().feed(data)


@pytest.mark.parametrize(
    ("told", "boundary"),
    [
        ("multipart/x-mixed-replace; boundary=cut", b"--cut"),
        ('multipart/x-mixed-replace;boundary="cut here"', b"--cut here"),
        ("multipart/x-mixed-replace; boundary=--cut", b"--cut"),
        ("multipart/x-mixed-replace", None),
        ("image/png", None),
        ("", None),
    ],
)
def test_boundary(told: str, boundary: bytes | None) -> None:
    assert boundary_of(told) == boundary
