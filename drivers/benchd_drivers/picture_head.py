"""What the first bytes of a picture's file tell: its kind and its size, without decoding anything."""

from __future__ import annotations

import struct

MEDIA = {
    b"\x89PNG\r\n\x1a\n": "image/png",
    b"\xff\xd8\xff": "image/jpeg",
    b"II*\0": "image/tiff",
    b"MM\0*": "image/tiff",
}
LONGEST_MAGIC = max(map(len, MEDIA))
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
"""JPEG markers of a frame header (ISO/IEC 10918-1, table B.1); the three between mean something else."""
_BARE = frozenset({0x01, *range(0xD0, 0xDA)})
_WIDTH, _HEIGHT = 256, 257
"""TIFF 6.0, section 8: ImageWidth, ImageLength."""


def media_type(body: bytes | bytearray) -> str | None:
    """By the first bytes, which cannot err as a header can; None for what is no picture."""
    return next((kind for magic, kind in MEDIA.items() if body.startswith(magic)), None)


def size_in(head: bytes | bytearray) -> tuple[int, int] | None:
    """Columns and rows, as far as these first bytes of the file tell them."""
    try:
        match media_type(head):
            case "image/png":  # ISO/IEC 15948, 11.2.2
                return struct.unpack_from(">II", head, 16) if head[12:16] == b"IHDR" else None
            case "image/jpeg":
                return _of_jpeg(head)
            case "image/tiff":
                return _of_tiff(head)
    except (struct.error, IndexError):
        pass
    return None


def _of_jpeg(head: bytes | bytearray) -> tuple[int, int] | None:
    at = 2
    while head[at] == 0xFF:
        marker = head[at + 1]
        if marker in _FRAMES:
            rows, columns = struct.unpack_from(">HH", head, at + 5)
            return columns, rows
        at += 1 if marker == 0xFF else 2 if marker in _BARE else 2 + struct.unpack_from(">H", head, at + 2)[0]
    return None


def _of_tiff(head: bytes | bytearray) -> tuple[int, int] | None:
    order = "<" if head[:2] == b"II" else ">"
    (at,) = struct.unpack_from(order + "I", head, 4)
    (entries,) = struct.unpack_from(order + "H", head, at)
    found: dict[int, int] = {}
    for entry in range(at + 2, at + 2 + 12 * entries, 12):
        tag, kind = struct.unpack_from(order + "HH", head, entry)
        if tag in (_WIDTH, _HEIGHT):
            (found[tag],) = struct.unpack_from(order + ("H" if kind == 3 else "I"), head, entry + 8)
    return (found[_WIDTH], found[_HEIGHT]) if len(found) == 2 else None
