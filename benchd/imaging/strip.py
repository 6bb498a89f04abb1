"""A strip of dark bars on the wall beside the projected square: how long their period is, in sides of the square.

As with two marks the ratio is that of lengths on the wall, whatever the camera's distance, mirroring or turn. A strip
stands on one side of the square alone, so that what an oblique camera draws larger there does not cancel: the square
shows it, where it is wider at one end than at the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.ground import SquareGround, beyond_blur_px
from benchd.imaging.marks import outside
from benchd.imaging.period import Period, fit_period
from benchd.imaging.refusals import PictureRefused
from benchd.imaging.rows import Floats
from benchd.imaging.square import SquareLayout

LEAST_BARS = 9
"""Of fewer the period is a hundredth of a pixel less sure a bar, and how evenly they stand cannot be told."""

LEAST_PERIOD_PX = 6.0
_LEAST_DEPTH = 0.4  # of the light about them that bars keep back
_SEEN_DEPTH = 0.15  # what may be a bar
_LEAST_PX = 6  # pixels of a bar
_LONG = 1.3  # times as long as wide: what is rounder shows no direction
_ALIKE = 1.5  # of bars, the largest area over the median
_ONE_WAY_DEG = 6.0
_EVEN = 0.2  # of a period that a bar may stand off its place
_MIDDLE = 0.35  # of a bar's length, either way from its middle: clear of its ends


@dataclass(frozen=True, slots=True)
class StripSeen:
    """The bars' period over the square's side. Relative standard uncertainties: `u_noise_rel` by noise, `u_same_rel`
    of what is the same in every picture: the side, an oblique camera, and bars that stand unevenly.

    `across_px`: twice the way from the square's middle to the strip's farther end, about which the camera distorts.
    """

    in_sides: float
    period_px: float
    across_px: float
    u_noise_rel: float
    u_same_rel: float
    bars: int

    @property
    def u_rel(self) -> float:
        """Both combined."""
        return math.hypot(self.u_noise_rel, self.u_same_rel)


@dataclass(frozen=True, slots=True)
class _Bar:
    """Centre (px), length and width (px), the direction of its length (degrees, 0 to 180)."""

    x: float
    y: float
    area: int
    length_px: float
    width_px: float
    turn_deg: float


def measure_strip(picture: NDArray[Any], layout: SquareLayout, table: Floats | None = None) -> StripSeen:
    """The strip beside the square of `layout` in `picture` (rows x columns, linearised by `table`).

    Raises PictureRefused: `no_strip` where fewer bars stand clear of border and square than are needed, `strip_pale`,
    `strip_fine`, `strip_ambiguous` where bars show no one direction, `strip_uneven` where they are in no one row.
    """
    missing = _missing_light(picture, layout, table)
    bars, cut = _bars(missing, layout)
    also = f"; {cut} more are cut by the border, or stand where the square's edges are measured" if cut else ""
    if len(bars) < LEAST_BARS:
        raise PictureRefused(
            "no_strip",
            f"A strip of {LEAST_BARS} or more dark bars belongs on the bright ground, clear of the square; "
            f"{len(bars)} such bars stand there{also}.",
            {"bars": len(bars), "cut": cut},
        )
    turn_deg = _direction(bars)
    start, ordered = _in_a_row(bars, turn_deg, also)
    found = _fitted(missing, ordered, start)
    if found.depth < _LEAST_DEPTH:
        raise _too_pale(found.depth)
    return _seen(found, ordered, layout)


def _missing_light(picture: NDArray[Any], layout: SquareLayout, table: Floats | None) -> Floats:
    """The share of the light that each pixel lacks, against the bright ground."""
    centre = layout.centre_x, layout.centre_y
    ground = SquareGround.from_picture(picture, layout.regions, centre, layout.side_px, layout.angle_deg, table)
    light = ground.light_beyond(beyond_blur_px(picture, layout.regions, table))
    values = picture.astype(np.float64) if table is None else table[picture]
    rows, columns = values.shape
    level = (values - light.pedestal) / light.field.over(slice(0, rows), slice(0, columns))
    # The bright ground is most of what is neither square nor strip.
    return np.asarray(1.0 - level / np.median(level[level > 0.5 * np.percentile(level, 90.0)]))


def _bars(missing: Floats, layout: SquareLayout) -> tuple[list[_Bar], int]:
    """The dark patches that are alike, and how many more are cut."""
    from scipy import ndimage  # in the worker only: the daemon imports this module and must stay small

    rows, columns = missing.shape
    beside = outside(layout, rows, columns, 0.0)
    for region in layout.regions:
        beside[region.row : region.row + region.height, region.col : region.col + region.width] = False
    seen = beside & (missing > _SEEN_DEPTH)
    depth = float(np.percentile(missing[seen], 80.0)) if seen.any() else 0.0
    label, _ = ndimage.label(missing > 0.5 * depth if depth else seen)
    found, cut = [], 0
    for index, box in enumerate(ndimage.find_objects(label), 1):
        patch = label[box] == index
        if int(patch.sum()) < _LEAST_PX or max(patch.shape) > 0.9 * layout.side_px:
            continue
        high, wide = box
        inside = high.start > 0 and wide.start > 0 and high.stop < rows and wide.stop < columns
        if not inside or not beside[box][patch].all():
            cut += 1
            continue
        found.append(_bar(patch, high.start, wide.start))
    if not found:
        return [], cut
    usual = float(np.median([bar.area for bar in found]))
    long = float(np.median([bar.length_px for bar in found]))
    alike = [
        bar
        for bar in found
        if usual / _ALIKE <= bar.area <= usual * _ALIKE and long / _ALIKE <= bar.length_px <= long * _ALIKE
    ]
    if len(alike) >= LEAST_BARS and depth < _LEAST_DEPTH:
        raise _too_pale(depth)
    return alike, cut


def _bar(patch: NDArray[np.bool_], top: int, left: int) -> _Bar:
    y, x = (where.astype(np.float64) for where in np.nonzero(patch))
    spread = np.cov(np.stack([x, y]), bias=True) + np.eye(2) / 12.0  # a pixel has a width of its own
    (least, most), ways = np.linalg.eigh(spread)
    turn = math.degrees(math.atan2(ways[1, 1], ways[0, 1])) % 180.0
    return _Bar(x.mean() + left, y.mean() + top, len(x), math.sqrt(12.0 * most), math.sqrt(12.0 * least), turn)


def _direction(bars: list[_Bar]) -> float:
    """The direction of the bars' length, degrees. Raises PictureRefused('strip_ambiguous')."""
    if float(np.median([bar.length_px / bar.width_px for bar in bars])) < _LONG:
        raise PictureRefused(
            "strip_ambiguous",
            "The marks of the strip are about as wide as long: which way their period runs cannot be told.",
        )
    doubled = np.exp(2j * np.radians([bar.turn_deg for bar in bars]))
    mean = doubled.mean()
    off_deg = np.degrees(np.abs(np.angle(doubled / mean))) / 2.0
    if abs(mean) < 0.5 or float(np.mean(off_deg > _ONE_WAY_DEG)) > 0.1:
        raise PictureRefused("strip_ambiguous", "The bars beside the square run more than one way.")
    return math.degrees(np.angle(mean)) / 2.0


def _in_a_row(bars: list[_Bar], turn_deg: float, also: str) -> tuple[tuple[float, float], list[_Bar]]:
    """Their frequency (cycles per px both ways), and the bars in their order.

    Raises PictureRefused: `strip_fine`, `strip_uneven`."""
    turn = math.radians(turn_deg)
    along_x, along_y = -math.sin(turn), math.cos(turn)
    ordered = sorted(bars, key=lambda bar: bar.x * along_x + bar.y * along_y)
    place = np.array([bar.x * along_x + bar.y * along_y for bar in ordered])
    beside = np.array([bar.y * along_x - bar.x * along_y for bar in ordered])
    if (usual := float(np.median(np.diff(place)))) < LEAST_PERIOD_PX:
        raise _too_fine(usual)
    number = np.arange(len(ordered), dtype=np.float64)
    step, first = np.polyfit(number, place, 1)
    skew, level = np.polyfit(number, beside, 1)
    off = float(np.abs(place - first - step * number).max())
    out = float(np.abs(beside - level - skew * number).max())
    if off > _EVEN * step or out > 0.25 * min(bar.length_px for bar in ordered) or abs(skew) > 0.5 * step:
        raise PictureRefused(
            "strip_uneven",
            f"The bars beside the square do not stand evenly in one row: one is spoilt, or of another strip{also}.",
            {"off_px": round(off, 2), "period_px": round(float(step), 2)},
        )
    return (along_x / float(step), along_y / float(step)), ordered


def _fitted(missing: Floats, bars: list[_Bar], start: tuple[float, float]) -> Period:
    """By the pixels from half a period before the first bar to half a one after the last, clear of the bars' ends: of
    whole bars, as each is held against its even place."""
    period = 1.0 / math.hypot(*start)
    along_x, along_y = start[0] * period, start[1] * period
    one, last = bars[0], bars[-1]
    places = np.indices(missing.shape, dtype=np.float64)
    y, x = places[0], places[1]
    along = (x - one.x) * along_x + (y - one.y) * along_y
    length = (last.x - one.x) * along_x + (last.y - one.y) * along_y
    # The row of bars may run aslant of their normal.
    skew = ((last.y - one.y) * along_x - (last.x - one.x) * along_y) / length
    beside = (y - one.y) * along_x - (x - one.x) * along_y - skew * along
    reach = _MIDDLE * float(np.median([bar.length_px for bar in bars]))
    within = (along >= -0.5 * period) & (along <= length + 0.5 * period) & (np.abs(beside) <= reach)
    try:
        return fit_period(x[within], y[within], missing[within], start)
    except RuntimeError:
        raise PictureRefused("strip_uneven", "No even row of bars fits what stands beside the square.") from None


def _seen(found: Period, bars: list[_Bar], layout: SquareLayout) -> StripSeen:
    ends = [math.hypot(bar.x - layout.centre_x, bar.y - layout.centre_y) for bar in (bars[0], bars[-1])]
    x, y = (0.5 * (bars[0].x + bars[-1].x) - layout.centre_x, 0.5 * (bars[0].y + bars[-1].y) - layout.centre_y)
    # What is larger by g a pixel on its way is larger by g once across that way, and once more along it.
    (by_x, by_y), (fx, fy) = layout.widening_per_px, (found.x_cycles * found.px, found.y_cycles * found.px)
    oblique = by_x * x + by_y * y + (by_x * fx + by_y * fy) * (x * fx + y * fy)
    uneven = math.sqrt(max(0.0, found.u_bars_rel**2 - found.u_noise_rel**2))
    side = layout.u_side_px / layout.side_px
    return StripSeen(
        found.px / layout.side_px,
        found.px,
        2.0 * max(ends),
        found.u_noise_rel,
        math.hypot(side, oblique, uneven),
        len(bars),
    )


def _too_pale(depth: float) -> PictureRefused:
    text = f"The bars keep back {100.0 * depth:.0f} % of the light; less than {100.0 * _LEAST_DEPTH:.0f} % is too pale."
    return PictureRefused("strip_pale", text, {"depth": round(depth, 3)})


def _too_fine(period_px: float) -> PictureRefused:
    text = f"A period of the strip has {period_px:.1f} pixels; fewer than {LEAST_PERIOD_PX:g} tell it too badly."
    return PictureRefused("strip_fine", text, {"period_px": round(period_px, 2)})
