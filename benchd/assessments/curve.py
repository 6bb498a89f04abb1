"""The through-focus curve for a fit: readings of a sweep, averaged point by point, in the order taken.

The channels of one point share the carriage: an error of position moves them together. So their readings are averaged
first and the mean curve is fitted once; averaging two fits as if independent would understate the uncertainty. Time
order matters too, because the fit tests for correlation between successive points.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One reading of one channel: a merit at an offset, with both standard uncertainties.

    Channels of the same picture share `t_mono` (s, the instant of the picture). `station` counts the stations of the
    sweep, `repeat` the passes over them, both from 0; `position_u_um` is the part of the position's uncertainty that is
    independent from point to point.
    """

    offset_um: float
    position_u_um: float
    channel: str
    value: float
    u: float
    t_mono: float
    station: int
    repeat: int

    def __post_init__(self) -> None:
        if not np.isfinite([self.offset_um, self.position_u_um, self.value, self.u, self.t_mono]).all():
            raise ValueError(f"a reading is not finite: {self}")
        if self.u <= 0.0 or self.position_u_um < 0.0:
            raise ValueError(f"uncertainties of a reading must be above zero, of its position not below: {self}")


def points_of_picture(
    channels: Mapping[str, tuple[float, float]],
    *,
    offset_um: float,
    t_mono: float,
    station: int = 0,
    repeat: int = 0,
    position_u_um: float = 0.0,
) -> tuple[CurvePoint, ...]:
    """The readings of one picture, from (value, u) by channel, `{"v": (.61, .002), "h": (.60, .002)}`."""
    return tuple(
        CurvePoint(offset_um, position_u_um, channel, value, u, t_mono, station, repeat)
        for channel, (value, u) in channels.items()
    )


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A merit over offset, one entry per picture in the order taken; all arrays of shape (n,).

    `value` is the plain mean of `channels` with `u` from the pictures' noise; `incomplete` counts pictures left out
    because a channel was missing.
    """

    channels: tuple[str, ...]
    offset_um: Floats
    position_u_um: Floats
    value: Floats
    u: Floats
    t_mono: Floats
    station: Whole
    repeat: Whole
    incomplete: int = 0

    def __len__(self) -> int:
        return int(self.offset_um.size)

    @classmethod
    def from_points(cls, points: Iterable[CurvePoint], channels: Sequence[str]) -> Curve:
        """Average `channels` picture by picture. A picture without all of them is left out and counted.

        Plain means: a weighted one would let light decide which orientation counts, and best focus of an
        astigmatic lens would follow it. Raises ValueError for a channel read twice in one picture, or no channels.
        """
        wanted = tuple(dict.fromkeys(channels))
        if not wanted:
            raise ValueError("a curve needs at least one channel")
        pictures: dict[float, dict[str, CurvePoint]] = {}
        for point in points:
            of_picture = pictures.setdefault(point.t_mono, {})
            if point.channel in of_picture:
                raise ValueError(f"channel {point.channel!r} was read twice at {point.t_mono} s")
            of_picture[point.channel] = point
        whole = [pictures[t] for t in sorted(pictures) if all(channel in pictures[t] for channel in wanted)]
        rows = [[picture[channel] for channel in wanted] for picture in whole]
        return cls(
            channels=wanted,
            offset_um=_column([row[0].offset_um for row in rows]),
            # shared by the channels of a picture: averaging them does not make it smaller
            position_u_um=_column([row[0].position_u_um for row in rows]),
            value=_column([sum(point.value for point in row) / len(row) for row in rows]),
            u=_column([sum(point.u**2 for point in row) ** 0.5 / len(row) for row in rows]),
            t_mono=_column([row[0].t_mono for row in rows]),
            station=np.array([row[0].station for row in rows], dtype=np.int64),
            repeat=np.array([row[0].repeat for row in rows], dtype=np.int64),
            incomplete=len(pictures) - len(rows),
        )


def _column(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)
