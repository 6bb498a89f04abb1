"""Inputs that are nearly right: what a wire really carries, with bytes altered, lost, repeated or put together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from random import Random

MOST_BYTES = 20_000
ODD = (
    b"", b"\0", b"\xff", b"\n", b"\r\n", b"\x7f", b"nan", b"inf", b"-0", b"1e999", b"9.91E37", b"-" * 40, b"9" * 400,
    b"1.7976931348623157e308", b"#9999999999", b"[" * 64, b"{" * 64, b'"', b"\\u0000", b"\xed\xa0\x80", b"<" * 20,
    b"|", b":", b"%s", b"\xe2\x80\xae", b"\xd9\xa1\xd9\xa2",
)  # fmt: skip
"""What parsers stumble over: numbers that are none, openings without ends, digits of other scripts."""


def damaged(seeds: Sequence[bytes], chance: Random) -> Iterator[bytes]:
    """One after the other without end; some are whole."""
    while True:
        data = bytearray(chance.choice(seeds))
        for _ in range(chance.choice((0, 1, 1, 2, 3, 8))):
            _damage(data, seeds, chance)
        yield bytes(data[:MOST_BYTES])


def _damage(data: bytearray, seeds: Sequence[bytes], chance: Random) -> None:
    at = chance.randint(0, len(data))
    to = min(len(data), at + chance.choice((1, 1, 2, 5, 40)))
    match chance.randrange(8):
        case 0 if at < len(data):
            data[at] ^= 1 << chance.randrange(8)
        case 1:
            data[at:at] = bytes([chance.randrange(256)])
        case 2:
            del data[at:to]
        case 3:
            data[at:at] = data[at:to] * chance.choice((1, 2, 50))
        case 4:
            data[at:to] = chance.choice(ODD)
        case 5:
            other = chance.choice(seeds)
            data[at:] = other[chance.randint(0, len(other)) :]
        case 6:
            del data[at:]
        case _:
            data[at:to] = chance.randbytes(chance.choice((1, 2, 16)))
