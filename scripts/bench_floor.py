"""The floor of a stepped sweep: what its hardware needs even if software took no time at all.

Counted are the moves that were really driven (approach moves too) by their trapezoid, one settling a station, each
picture at what the camera took for it (exposing and reading out) and what a bare client takes to fetch it, and the
bytes a measurement cannot do without: each move's line, the status report that told its end, and the encoder before
and after each exposure. Whatever else is said on the wire is the software's own and counts against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import median

from bench_journal import Chunk, Motion, answered, between, lines, motions, requests

BITS_A_BYTE = 10  # 8N1
PICTURE, SETTINGS = b"/frame.png", b"/settings"
TOLD_S = 1.0
"""A move's end is told at most so much later."""


@dataclass(frozen=True, slots=True)
class Hardware:
    """What the bench's hardware takes for each thing: s, um, um/s2, baud. `fetch_s` is what a bare client takes from
    its request to the whole answer, less what the camera took in between."""

    acceleration_um_s2: float
    settle_s: float
    baud: int
    fetch_s: float
    um_per_unit: float = 1000.0


@dataclass(frozen=True, slots=True)
class Floor:
    """Seconds by cause, and how many of what. `hidden_s`: of the wire's time that of the reports which pass while the
    carriage settles, so that nobody need wait for them."""

    motion_s: float
    settling_s: float
    pictures_s: float
    wire_s: float
    hidden_s: float
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
    answers = [ask for path in (PICTURE, SETTINGS) for ask in answered(chunks, path) if start <= ask.t <= end]
    marks = _marks(moves, pictures)
    stations, measured = sum(map(_settles, marks)), sum(after == "picture" for _, after in marks)
    ended = [status_bytes(chunks, move, hardware.acceleration_um_s2) for move in moves]
    bytes_ = sum(len(move.text) + 1 for move in moves) + sum(ended) + 2 * measured * encoder_bytes(chunks)
    hidden = sum(status for status, mark in zip(ended, marks, strict=True) if _settles(mark))
    return Floor(
        motion_s=sum(trapezoid_s(m.distance_um, m.speed_um_s, hardware.acceleration_um_s2) for m in moves),
        settling_s=stations * hardware.settle_s,
        pictures_s=sum(ask.took_s + hardware.fetch_s for ask in answers),
        wire_s=bytes_ * BITS_A_BYTE / hardware.baud,
        hidden_s=hidden * BITS_A_BYTE / hardware.baud,
        moves=len(moves),
        stations=stations,
        pictures=measured,
    )


def status_bytes(chunks: Sequence[Chunk], move: Motion, acceleration_um_s2: float) -> int:
    """A status query and the report that told the end of a move; some reports say more than others."""
    ends = move.t + trapezoid_s(move.distance_um, move.speed_um_s, acceleration_um_s2)
    told = (line for line in lines(between(chunks, ends, ends + TOLD_S), "board", "out") if b"<Idle" in line.text)
    first = next(told, None)
    return 0 if first is None else 1 + len(first.text) + 2


def encoder_bytes(chunks: Sequence[Chunk]) -> float:
    """A question to the counter and its answer, as they usually are."""
    asked = median(len(line.text) + 1 for line in lines(chunks, "counter", "in"))
    return asked + median(len(line.text) + 2 for line in lines(chunks, "counter", "out"))


def _marks(moves: Sequence[Motion], pictures: Sequence[float]) -> list[tuple[str, str]]:
    """Every move with what came next: `move`, `picture`, or nothing. A place exposed twice for its light is one."""
    kinds = [kind for _, kind in sorted([(move.t, "move") for move in moves] + [(t, "picture") for t in pictures])]
    return [pair for pair in zip(kinds, [*kinds[1:], ""], strict=True) if pair[0] == "move"]


def _settles(mark: tuple[str, str]) -> bool:
    """Whether the carriage was brought to rest by this move: a back-off and the approach after it are one."""
    return mark[1] != "move"
