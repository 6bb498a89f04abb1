"""Whether a picture's file is whole, by its end: a file that is still being written has none."""

from __future__ import annotations

import struct

from benchd_drivers.picture_head import media_type

_PNG_END = b"\0\0\0\0IEND\xaeB`\x82"
"""The last chunk of a PNG, its checksum included (ISO/IEC 15948, 11.2.5)."""
_JPEG_SCAN, _JPEG_END = 0xDA, b"\xff\xd9"
_OFFSETS, _COUNTS = (273, 324), (279, 325)
"""TIFF 6.0: where strips (section 8) or tiles (section 15) stand, and how long they are."""
_SIZES = {3: ("H", 2), 4: ("I", 4)}


def whole(body: bytes) -> bool:
    """False for what is no picture, too. Bytes behind a picture's end, as cameras append them, do not matter."""
    try:
        match media_type(body):
            case "image/png":
                return _PNG_END in body[-65536:]
            case "image/jpeg":
                return body.rfind(_JPEG_END) > _scan_of_jpeg(body)
            case "image/tiff":
                return _reach_of_tiff(body) <= len(body)
    except (struct.error, IndexError, KeyError):
        pass
    return False


def _scan_of_jpeg(body: bytes) -> int:
    """Where the picture's own lines begin: thumbnails before it have an end of their own (ISO/IEC 10918-1, B.1)."""
    at = 2
    while body[at + 1] != _JPEG_SCAN:
        at += 1 if body[at + 1] == 0xFF else 2 + struct.unpack_from(">H", body, at + 2)[0]
    return at


def _reach_of_tiff(body: bytes) -> int:
    """How far the strips or tiles of the first picture reach into the file."""
    order = "<" if body[:2] == b"II" else ">"
    (at,) = struct.unpack_from(order + "I", body, 4)
    (entries,) = struct.unpack_from(order + "H", body, at)
    found: dict[int, tuple[int, ...]] = {}
    for entry in range(at + 2, at + 2 + 12 * entries, 12):
        tag, kind, count = struct.unpack_from(order + "HHI", body, entry)
        if tag in _OFFSETS + _COUNTS:
            letter, size = _SIZES[kind]
            inside = count * size <= 4
            place = entry + 8 if inside else struct.unpack_from(order + "I", body, entry + 8)[0]
            found[tag] = struct.unpack_from(f"{order}{count}{letter}", body, place)
    offsets = next(found[tag] for tag in _OFFSETS if tag in found) if set(_OFFSETS) & set(found) else ()
    counts = next(found[tag] for tag in _COUNTS if tag in found) if set(_COUNTS) & set(found) else ()
    if not offsets or len(offsets) != len(counts):
        raise IndexError
    return max(start + length for start, length in zip(offsets, counts, strict=True))
