"""Position of an edge in a region: row by row, then as a line, or as a quadratic if it is significantly curved.

Rows of the region cross the edge (an edge near vertical; the other orientation is transposed by the caller). Pixel
centres have whole-numbered coordinates. Distances `d` are along the edge's normal, in pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.refusals import EdgeRefused
from benchd.imaging.rise import SAMPLES_PER_PX, profile_of, rise
from benchd.imaging.rows import Floats, flat_top, gather, mean, pixel_variance

RISE_PER_SIGMA = 2.563103  # 10 to 90 % of a normal distribution
_MIDDLE_PER_SIGMA = 1.348980  # 25 to 75 %
LEAST_ROOM_PX = 4.0
LEAST_SWING_SD = 16.0
WINDOW_PER_SIGMA = 5.0
WINDOW_EXTRA_PX = 6.0
_BEND_SIGNIFICANT_SD = 3.0
_LEAST_SIGMA_PX = 0.25  # a step seen through a pixel has .29
_HALF_WAY = 0.4  # of the swing, the part of the way that counts as half of it
_LOOK_ROWS = 32  # rows that suffice to judge the blur before the line is known


@dataclass(frozen=True, slots=True)
class EdgeLine:
    """An edge in region coordinates: x(y) = position + slope y + bend y^2, y counted from the middle row.

    `u_position_px` is the standard uncertainty of `position`, from the scatter of the rows about the line.
    `sag_px` is the fitted departure of the middle from the chord, `curved` whether it counts (3 standard
    deviations); where it does not, `bend` is zero. `room_px` is the least distance along the normal to a side of
    the region, `sigma_px` the edge's own width: the 10-90 % rise over 2.563, pixel included.
    """

    position: float
    u_position_px: float
    slope: float
    bend: float
    sag_px: float
    curved: bool
    room_px: float
    sigma_px: float
    rows: int

    @property
    def cos(self) -> float:
        """Cosine of the tilt."""
        return float(1.0 / np.hypot(1.0, self.slope))

    @property
    def angle_deg(self) -> float:
        """Tilt against the region's columns, degrees."""
        return float(np.degrees(np.arctan(self.slope)))

    def at_rows(self) -> Floats:
        """x of the edge in every row, shape (rows,)."""
        y = _rows_design(self.rows)[0]
        return np.asarray(self.position + y * (self.slope + self.bend * y), dtype=np.float64)


def wanted_window_px(sigma_px: float) -> float:
    """The window that an edge of this width asks for: its bias is below 1e-4."""
    return WINDOW_PER_SIGMA * sigma_px + WINDOW_EXTRA_PX


@dataclass(frozen=True, slots=True)
class Start:
    """Where an edge runs before it is known well: x per row, the room beside it and its width, px along the normal."""

    line: Floats
    room_px: float
    sigma_px: float

    @classmethod
    def from_region(cls, region: NDArray[Any]) -> Start:
        """By where the rows cross half their way. Raises EdgeRefused: `low_contrast`, `leaves_region`."""
        line, room = _start_line(region)
        look = _look(line.size)
        return cls(line, room, _start_blur(region[look], line[look], room))


def fit_edge_line(region: NDArray[Any], start: Start | None = None) -> EdgeLine:
    """Fit the edge in `region` (rows x columns, values linear in light).

    Start where the rows cross half their way (`Start`), then two passes of windowed centroid of the row
    differences about the fitted line. The light is taken as even (`light_field` makes it so). Raises EdgeRefused:
    `low_contrast`, `leaves_region`.
    """
    rows, width = region.shape
    start = start or Start.from_region(region)
    line, sigma = start.line, start.sigma_px
    wide = min(start.room_px, wanted_window_px(sigma))
    # the second window is narrower: light outside the edge is noise, not edge
    for reach in (wide, min(wide, 4.0 * sigma + 3.0)):
        fitted = _fit(line + _row_shifts(region, line, reach))
        line = fitted.at_rows()
        room = _room(line, width, fitted.cos)
        if not room >= LEAST_ROOM_PX:
            raise leaves_region(room, LEAST_ROOM_PX)
    look = _look(rows)
    return EdgeLine(
        position=fitted.position,
        u_position_px=fitted.u_position_px,
        slope=fitted.slope,
        bend=fitted.bend,
        sag_px=fitted.sag_px,
        curved=fitted.curved,
        room_px=room,
        sigma_px=_blur(region[look], line[look], min(room, 1.5 * wide), fitted.cos),
        rows=rows,
    )


def low_contrast(swing: float, pixel_sd: float) -> EdgeRefused:
    """The refusal of an edge that is lost in noise."""
    return EdgeRefused(
        "low_contrast",
        f"The edge swings {swing:.1f} grey levels, {swing / pixel_sd:.1f} standard deviations of a pixel "
        f"({pixel_sd:.2f}); {LEAST_SWING_SD:.0f} are needed.",
        {"swing": swing, "pixel_sd": pixel_sd, "least_swing": LEAST_SWING_SD * pixel_sd},
    )


def leaves_region(room_px: float, needed_px: float) -> EdgeRefused:
    """The refusal of an edge too near to a side of its region."""
    return EdgeRefused(
        "leaves_region",
        f"The edge comes within {max(0.0, room_px):.1f} px of the region's side; {needed_px:.1f} px are needed.",
        {"room_px": room_px, "needed_px": needed_px},
    )


def _start_line(region: NDArray[Any]) -> tuple[Floats, float]:
    """A straight line through where each row crosses half the way between the levels of both ends; the room beside it.

    As x per row, shape (rows,). Which side of half the way a pixel is on counts, not by how much, so that neither
    light that falls off nor something dark at the region's end shifts it. Raises EdgeRefused:
    `low_contrast`, `leaves_region`.
    """
    rows, width = region.shape
    if rows < 8 or width < 12:
        raise leaves_region(0.0, LEAST_ROOM_PX)
    ends = max(3, width // 12)
    left = region[:, :ends].astype(np.float64)
    right = region[:, -ends:].astype(np.float64)
    low, high = mean(left), mean(right)
    sd = float(np.sqrt(max(pixel_variance(left[:, 1:] - left[:, :-1]), pixel_variance(right[:, 1:] - right[:, :-1]))))
    # half the limit here, as a blurred edge reaches into the ends; the full limit is asked at the plateaus
    if not abs(high - low) >= 0.5 * LEAST_SWING_SD * sd:
        raise low_contrast(abs(high - low), sd)
    # +1 on the left plateau, -1 on the right one, however bright: their sum from the left is highest at the edge
    side = (0.5 * (low + high) - region) * (2.0 / ((high - low) * _HALF_WAY))
    np.clip(side, -1.0, 1.0, out=side)
    # first columns that are wholly left of it add alike to every row's sum, last ones wholly right of it take alike
    first = max(int((np.minimum.reduce(side, axis=0) < 1.0).argmax()) - 1, 0)
    last = width - int((np.maximum.reduce(side, axis=0) > -1.0)[::-1].argmax())
    fitted = _fit(np.add.accumulate(side[:, first:last], axis=1).argmax(axis=1) + (first + 0.5), bent=False)
    line = fitted.at_rows()
    room = _room(line, width, fitted.cos)
    if not room >= LEAST_ROOM_PX:
        raise leaves_region(room, LEAST_ROOM_PX)
    return line, room


def _start_blur(region: NDArray[Any], line: Floats, room: float) -> float:
    """The edge's standard deviation about a line that is only near it and under light that may be uneven, px.

    From the middle half of its rise, which an uneven plateau reaches less than its ends.
    """
    cos = _cos_of(line)
    samples = rise(profile_of(region, line, room, cos), 0.25)
    return max(samples * cos / (SAMPLES_PER_PX * _MIDDLE_PER_SIGMA), _LEAST_SIGMA_PX)


def _look(rows: int) -> slice:
    return slice(None, None, max(1, rows // _LOOK_ROWS))


def _room(line: Floats, width: int, cos: float) -> float:
    return (min(float(line.min()), width - 1.0 - float(line.max())) - 0.5) * cos


def _cos_of(line: Floats) -> float:
    return float(1.0 / np.hypot(1.0, (line[-1] - line[0]) / (line.size - 1)))


@lru_cache(maxsize=64)
def _rows_design(rows: int) -> tuple[Floats, Floats, float, float]:
    """Rows counted from their middle, their squares about the mean square, that mean, and the sum of the latter."""
    y = np.asarray(np.arange(rows) - 0.5 * (rows - 1), dtype=np.float64)
    mean_square = (rows * rows - 1) / 12.0
    curve = np.asarray(y * y - mean_square, dtype=np.float64)
    for kept in (y, curve):
        kept.flags.writeable = False  # they are handed out again and again
    return y, curve, mean_square, float(curve @ curve)


def _fit(x: Floats, bent: bool = True) -> EdgeLine:
    """Least squares on orthogonal polynomials over the rows; the quadratic stays where it is significant."""
    rows = x.size
    y, curve, mean_square, curve_norm = _rows_design(rows)
    middle, slope = mean(x), float(y @ x) / (rows * mean_square)
    bend = float(curve @ x) / curve_norm
    rest = x - middle - slope * y - bend * curve
    s = (float(rest @ rest) / max(rows - 3, 1)) ** 0.5
    cos = float(1.0 / np.hypot(1.0, slope))
    sag = bend * (0.5 * rows) ** 2 * cos
    curved = bent and abs(bend) > _BEND_SIGNIFICANT_SD * s / curve_norm**0.5
    variance = 1.0 / rows + (mean_square**2 / curve_norm if curved else 0.0)
    return EdgeLine(
        position=middle - (bend * mean_square if curved else 0.0),
        u_position_px=s * variance**0.5,
        slope=slope,
        bend=bend if curved else 0.0,
        sag_px=sag,
        curved=curved,
        room_px=0.0,
        sigma_px=0.0,
        rows=rows,
    )


def _row_shifts(region: NDArray[Any], line: Floats, window_px: float) -> Floats:
    """How far each row's edge is right of the line, in columns.

    The window is centred on the line, never on the row's own centroid, and the moment is divided by the mean gain of
    all rows: a row's own contrast is noisy and would couple noise into position. The gain is the moment's derivative
    by the edge's shift, so that a window cutting into a blurred edge does not shorten the step.
    """
    cos = _cos_of(line)
    half = int(np.ceil(window_px / cos)) + 1
    pixels, fraction = gather(region, line, half)
    d = np.arange(-half, half + 1) * cos
    window, steep = flat_top(d, window_px)
    gain = window + d * steep
    moments = (pixels[:, 1:] - pixels[:, :-1]) @ np.array([window * d, gain]).T
    shift = (moments[:, 0] / cos - fraction * moments[:, 1]) / mean(moments[:, 1])
    return np.asarray(shift, dtype=np.float64)


def _blur(region: NDArray[Any], line: Floats, reach_px: float, cos: float) -> float:
    """The edge's standard deviation along the normal from the 10-90 % rise of its profile in quarter pixels."""
    samples = rise(profile_of(region, line, reach_px, cos))
    return max(samples * cos / (SAMPLES_PER_PX * RISE_PER_SIGMA), _LEAST_SIGMA_PX)
