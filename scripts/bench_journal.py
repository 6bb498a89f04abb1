"""The simulator's journal read back: every chunk on a port with the monotonic time at which it passed."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

REAL_TIME = re.compile(rb"[?!~\x18\x84\x85]")
"""Bytes that the motion controller acts on wherever they stand; they belong to no line."""
MOTION = re.compile(rb"^G53 .*G1 [XYZ](?P<to>[-0-9.]+) F(?P<feed>[0-9.]+)$")


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that passed a port at one instant; `direction` is `in` towards the device, `out` away from it."""

    t: float
    port: str
    direction: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Line:
    """A whole line to the motion controller, at the time of its last byte."""

    t: float
    text: bytes


@dataclass(frozen=True, slots=True)
class Motion:
    """A move that was asked for, from where the one before it ended (um, um/s)."""

    t: float
    text: bytes
    distance_um: float
    speed_um_s: float


def read(path: Path) -> list[Chunk]:
    """All chunks of a journal."""
    chunks = []
    for row in path.read_text(encoding="ascii").splitlines():
        t, port, direction, data = row.split("\t", 3)
        chunks.append(Chunk(float(t), port, direction, ast.literal_eval(data)))
    return chunks


def between(chunks: Iterable[Chunk], start: float, end: float) -> list[Chunk]:
    """Those that passed in a span of monotonic time."""
    return [chunk for chunk in chunks if start <= chunk.t <= end]


def lines(chunks: Iterable[Chunk], port: str = "board", direction: str = "in") -> list[Line]:
    """Whole lines of one port, real-time bytes taken out where they go to the motion controller."""
    found: list[Line] = []
    rest = b""
    for chunk in chunks:
        if chunk.port == port and chunk.direction == direction:
            rest += REAL_TIME.sub(b"", chunk.data) if (port, direction) == ("board", "in") else chunk.data
            *whole, rest = rest.replace(b"\r", b"\n").split(b"\n")
            found += [Line(chunk.t, text) for text in whole if text]
    return found


def motions(chunks: Sequence[Chunk], um_per_unit: float) -> list[Motion]:
    """Every absolute move; the first one of a journal is left out, as nobody knows where it began."""
    found: list[Motion] = []
    at: float | None = None
    for line in lines(chunks):
        match = MOTION.match(line.text)
        if match is None:
            continue
        to = float(match["to"]) * um_per_unit
        if at is not None:
            found.append(Motion(line.t, line.text, abs(to - at), float(match["feed"]) * um_per_unit / 60.0))
        at = to
    return found


@dataclass(frozen=True, slots=True)
class CommandAddress:
    """A request to the camera, and how long the camera took until it had the answer (s)."""

    t: float
    took_s: float


def answered(chunks: Iterable[Chunk], path: bytes) -> list[CommandAddress]:
    """What the camera was asked for and answered; it takes one request after another."""
    found: list[CommandAddress] = []
    since: float | None = None
    for chunk in chunks:
        if chunk.port == "camera" and chunk.data == path:
            if chunk.direction == "in":
                since = chunk.t
            elif since is not None:
                found.append(CommandAddress(since, chunk.t - since))
                since = None
    return found


def requests(chunks: Iterable[Chunk], path: bytes) -> list[float]:
    """When the camera was asked for `path`."""
    return [chunk.t for chunk in chunks if chunk.port == "camera" and chunk.direction == "in" and chunk.data == path]
