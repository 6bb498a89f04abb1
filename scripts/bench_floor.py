"""The floor of a stepped sweep: what its hardware needs even if software took no time at all.

Counted are the moves that were really driven (approach moves too) by their trapezoid, one settling a station, the
pictures at what a bare fetch of the same picture takes, and the bytes a measurement cannot do without: each move's
line, one status report to know that it has ended, and the encoder before and after each exposure. Whatever else is
said on the wire is the software's own and counts against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import median

from bench_journal import Chunk, Motion, lines, motions, requests

BITS_A_BYTE = 10  # 8N1
PICTURE, SETTINGS = b"/frame.png", b"/settings"


@dataclass(frozen=True, slots=True)
class Hardware:
    """What the bench's hardware takes for each thing: s, um, um/s2, baud. Fetches are measured bare."""

    acceleration_um_s2: float
    settle_s: float
    baud: int
    picture_s: float
    settings_s: float
    um_per_unit: float = 1000.0


@dataclass(frozen=True, slots=True)
class Floor:
    """Seconds by cause, and how many of what."""

    motion_s: float
    settling_s: float
    pictures_s: float
    wire_s: float
    moves: int
    stations: int
    pictures: int

    @property
    def total_s(self) -> float:
        """The floor."""
        return self.motion_s + self.settling_s + self.pictures_s + self.wire_s


def trapezoid_s(distance_um: float, speed_um_s: float, acceleration_um_s2: float) -> float:
    """Duration of a move from rest to rest: ramps of constant acceleration, a top speed where it is reached."""
    distance = abs(distance_um)
    if distance < speed_um_s**2 / acceleration_um_s2:
        return 2.0 * sqrt(distance / acceleration_um_s2)
    return distance / speed_um_s + speed_um_s / acceleration_um_s2


def floor_of(chunks: Sequence[Chunk], start: float, end: float, hardware: Hardware) -> Floor:
    """The floor of what was asked of the hardware between two monotonic times; `chunks` is the whole journal."""
    moves = [move for move in motions(chunks, hardware.um_per_unit) if start <= move.t <= end]
    pictures = [t for t in requests(chunks, PICTURE) if start <= t <= end]
    settings = [t for t in requests(chunks, SETTINGS) if start <= t <= end]
    stations = _stations(moves, pictures)
    measured = _stations_with_picture(moves, pictures)
    status, encoder = status_bytes(chunks), encoder_bytes(chunks)
    bytes_ = sum(len(move.text) + 1 + status for move in moves) + 2 * measured * encoder
    return Floor(
        motion_s=sum(trapezoid_s(m.distance_um, m.speed_um_s, hardware.acceleration_um_s2) for m in moves),
        settling_s=stations * hardware.settle_s,
        pictures_s=len(pictures) * hardware.picture_s + len(settings) * hardware.settings_s,
        wire_s=bytes_ * BITS_A_BYTE / hardware.baud,
        moves=len(moves),
        stations=stations,
        pictures=measured,
    )


def status_bytes(chunks: Sequence[Chunk]) -> float:
    """A status query and the report that answers it, as they usually are."""
    return 1 + median(len(line.text) + 2 for line in lines(chunks, "board", "out") if line.text.startswith(b"<"))


def encoder_bytes(chunks: Sequence[Chunk]) -> float:
    """A question to the counter and its answer, as they usually are."""
    asked = median(len(line.text) + 1 for line in lines(chunks, "counter", "in"))
    return asked + median(len(line.text) + 2 for line in lines(chunks, "counter", "out"))


def _stations(moves: Sequence[Motion], pictures: Sequence[float]) -> int:
    """Places where the carriage was brought to rest: a move that is followed by a picture before the next move, or
    the last one. A back-off and the approach after it are one."""
    marks = sorted([(move.t, "move") for move in moves] + [(t, "picture") for t in pictures])
    kinds = [kind for _, kind in marks]
    return sum(kind == "move" and kinds[i + 1 : i + 2] != ["move"] for i, kind in enumerate(kinds))


def _stations_with_picture(moves: Sequence[Motion], pictures: Sequence[float]) -> int:
    """Stations where a picture was taken; a place exposed twice for its light is one."""
    marks = sorted([(move.t, "move") for move in moves] + [(t, "picture") for t in pictures])
    kinds = [kind for _, kind in marks]
    return sum(kinds[i : i + 2] == ["move", "picture"] for i in range(len(kinds)))
