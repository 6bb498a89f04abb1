"""Two dark round marks on the wall beside the projected square: how far apart their centres are, in pixels.

Marks and square lie in one plane, the wall: the ratio of their distance to the square's side is that of lengths there,
whatever the camera's distance or mirroring, but for what its lens distorts. Marks stand on the bright ground, outside
the square and clear of its blurred edges. Each centre is the centroid of the light that is missing, over a window about
the mark.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.ground import SquareGround, SquareLight, beyond_blur_px
from benchd.imaging.refusals import PictureRefused
from benchd.imaging.rows import Floats
from benchd.imaging.square import SquareLayout

_DEPTH = 0.5  # of the light about it that a mark keeps back at its middle, at least
_LEAST_PX = 12  # pixels of a mark
_LARGEST = 0.3  # of the square's side: a larger patch is no mark
_ROUND = 0.7  # of its bounding box that a disc fills is pi / 4
_CLEAR = 0.08  # of the side, beyond the square's edges: nothing nearer is a mark
_WINDOW = 2.0  # radii about a centre over which light is missed
_BORDER_PX = 3.0
_ROUNDS = 6
_STILL_PX = 1e-4


@dataclass(frozen=True, slots=True)
class Mark:
    """Centre (px), its standard uncertainty by the picture's noise, and radius (px)."""

    x: float
    y: float
    u_px: float
    radius_px: float


@dataclass(frozen=True, slots=True)
class MarksSeen:
    """Distance of the two centres over the square's side. Relative standard uncertainties: `u_noise_rel` by noise,
    `u_side_rel` of the side, in which is what an oblique camera makes of it, the same in every picture."""

    in_sides: float
    apart_px: float
    u_noise_rel: float
    u_side_rel: float
    marks: tuple[Mark, Mark]

    @property
    def u_rel(self) -> float:
        """Both combined."""
        return math.hypot(self.u_noise_rel, self.u_side_rel)


def measure_marks(picture: NDArray[Any], layout: SquareLayout, table: Floats | None = None) -> MarksSeen:
    """The two marks beside the square of `layout` in `picture` (rows x columns, linearised by `table`).

    Raises PictureRefused: `no_marks` where there are not two, `marks_cut` where one runs out of the picture or into the
    square.
    """
    centre = layout.centre_x, layout.centre_y
    ground = SquareGround.from_picture(picture, layout.regions, centre, layout.side_px, layout.angle_deg, table)
    light = ground.light_beyond(beyond_blur_px(picture, layout.regions, table))
    values = picture.astype(np.float64) if table is None else table[picture]
    found = _patches(values, layout, light)
    if len(found) != 2:
        told = "none stands" if not found else "one stands" if len(found) == 1 else f"{len(found)} stand"
        raise PictureRefused(
            "no_marks",
            f"Two dark marks belong on the bright ground beside the square; {told} there.",
            {"marks": len(found)},
        )
    one, other = (_centred(values, light, start) for start in found)
    apart = float(np.hypot(other.x - one.x, other.y - one.y))
    u_noise_rel = float(np.hypot(one.u_px, other.u_px)) / apart
    return MarksSeen(apart / layout.side_px, apart, u_noise_rel, layout.u_side_px / layout.side_px, (one, other))


def _patches(values: Floats, layout: SquareLayout, light: SquareLight) -> list[tuple[float, float, float]]:
    """Centre and radius of each round dark patch on the ground."""
    from scipy import ndimage  # in the worker only: the daemon imports this module and must stay small

    rows, columns = values.shape
    over = light.field.over(slice(0, rows), slice(0, columns))
    level = values - light.pedestal
    usual = float(np.median((level / over)[outside(layout, rows, columns, 0.0)]))
    dark = level < (1.0 - _DEPTH) * usual * over
    turned = outside(layout, rows, columns, _CLEAR * layout.side_px)
    label, _ = ndimage.label(dark)
    found = []
    for index, box in enumerate(ndimage.find_objects(label), 1):
        patch = label[box] == index
        area, (high, wide) = int(patch.sum()), patch.shape
        if area < _LEAST_PX or max(high, wide) > _LARGEST * layout.side_px:
            continue
        y, x = (float(where.mean() + part.start) for where, part in zip(np.nonzero(patch), box, strict=True))
        if not turned[round(y), round(x)]:
            continue  # the square itself, or what stands on it
        if area < _ROUND * np.pi / 4.0 * high * wide or max(high, wide) > 1.5 * min(high, wide):
            continue
        radius = float(np.sqrt(area / np.pi))
        reach = _WINDOW * radius + _BORDER_PX
        if not (reach <= x <= columns - 1 - reach and reach <= y <= rows - 1 - reach):
            raise PictureRefused("marks_cut", "A mark stands too near the border of the picture.", {"x": x, "y": y})
        if not turned[round(y - reach) : round(y + reach) + 1, round(x - reach) : round(x + reach) + 1].all():
            raise PictureRefused("marks_cut", "A mark stands too near the square.", {"x": x, "y": y})
        found.append((x, y, radius))
    return found


def outside(layout: SquareLayout, rows: int, columns: int, margin_px: float) -> NDArray[np.bool_]:
    """Where in the picture is farther than a margin from the square."""
    turn = np.radians(layout.angle_deg)
    right, below = np.arange(columns)[None, :] - layout.centre_x, np.arange(rows)[:, None] - layout.centre_y
    along, across = right * np.cos(turn) + below * np.sin(turn), below * np.cos(turn) - right * np.sin(turn)
    half = 0.5 * layout.side_px + margin_px
    return np.asarray((np.abs(along) > half) | (np.abs(across) > half))


def _centred(values: Floats, light: SquareLight, start: tuple[float, float, float]) -> Mark:
    """The centroid of the missing light, its window moved onto it; a plane through the ground about it is what the
    light would be."""
    x, y, radius = start
    reach = _WINDOW * radius + 1.0
    u_px = 0.0
    for _ in range(_ROUNDS):
        first, last = int(np.floor(x - reach)) - 1, int(np.ceil(x + reach)) + 2
        top, bottom = int(np.floor(y - reach)) - 1, int(np.ceil(y + reach)) + 2
        dx, dy = np.meshgrid(np.arange(first, last) - x, np.arange(top, bottom) - y)
        r = np.hypot(dx, dy)
        seen = values[top:bottom, first:last] - light.pedestal
        seen = seen / light.field.over(slice(top, bottom), slice(first, last))
        around = (r > radius + _BORDER_PX) & (r <= reach)
        columns = np.stack([np.ones(around.sum()), dx[around], dy[around]], axis=1)
        plane, *_ = np.linalg.lstsq(columns, seen[around], rcond=None)
        missing = plane[0] + plane[1] * dx + plane[2] * dy - seen
        # A soft rim: a pixel half inside counts half, or the centroid would follow the raster.
        within = np.clip(reach + 0.5 - r, 0.0, 1.0)
        total = float((within * missing).sum())
        moved_x, moved_y = (float((within * missing * way).sum()) / total for way in (dx, dy))
        x, y = x + moved_x, y + moved_y
        noise = float(np.std(seen[around] - columns @ plane))
        u_px = noise * float(np.sqrt(0.5 * ((within * r) ** 2).sum())) / total
        if np.hypot(moved_x, moved_y) < _STILL_PX:
            break
    return Mark(x, y, u_px, radius)
