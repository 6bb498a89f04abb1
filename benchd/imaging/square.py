"""The tilted dark square of a target: where its four edges are, how wide it is, and its modulation both ways.

The square's side is known in millimetres, so its side in pixels gives the picture's scale at the target, independent of
distances. It is the mean distance of opposite fitted edges: a blur that is the same on both sides cancels. The bright
ground around it shows the fall-off of the light (`light_field`), which is divided out before an edge is measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.coarse import CoarseSquare, find_dark_square
from benchd.imaging.edge import LEAST_WINDOW_SIGMAS, EdgeResult, edge_modulation, mean_of
from benchd.imaging.edge_line import EdgeLine, fit_edge_line
from benchd.imaging.ground import SquareGround, beyond_blur_px
from benchd.imaging.level import full_scale_of
from benchd.imaging.refusals import EdgeRefused, PictureRefused
from benchd.imaging.region import Orientation, Region, Side
from benchd.imaging.response import PLATEAU
from benchd.imaging.rows import Floats
from benchd.imaging.specks import without_specks

SIDES: tuple[tuple[Side, Orientation], ...] = (("left", "v"), ("right", "v"), ("top", "h"), ("bottom", "h"))
CORNER_MARGIN = 0.16  # of the side, at both ends of an edge: a blurred corner must not reach into a region
REACH = 0.42  # of the side, across the edge: beyond it begins the opposite edge's ground
LARGEST_TILT_DEG = 20.0
_AREA_U = 0.02  # relative, of a side known from the area alone: judged, not measured


@dataclass(frozen=True, slots=True)
class SquareLayout:
    """Four edge regions, the tilt (degrees, positive clockwise as seen) and the side in pixels.

    `width_px` and `height_px` are the distances of the edges left-right and top-bottom; `side_px` is their mean, with
    `u_side_px` the larger of what the fits say and half their difference. `found_by` is `edges`, or `area` where the
    edges are too blurred to be fitted: then the side is good for a coarse search only, and says so. `widening_per_px`:
    by what share the height grows along x and the width along y, as an oblique camera has it.
    """

    regions: tuple[Region, Region, Region, Region]
    angle_deg: float
    side_px: float
    u_side_px: float
    width_px: float
    height_px: float
    centre_x: float
    centre_y: float
    found_by: Literal["edges", "area"]
    widening_per_px: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class SquareModulation:
    """Modulation of the square's edges at one frequency: both orientations as (M, u), their mean and its u.

    `v` comes from the edges near vertical (contrast across the picture), `h` from those near horizontal. `edges`
    are in the order left, right, top, bottom. `linear` is False if the picture was not known to be linear in light:
    such a modulation is only indicative and does not belong into a budget. `fill` is the level of the bright ground as
    a share of full scale.
    """

    v: tuple[float, float]
    h: tuple[float, float]
    modulation: float
    u: float
    edges: tuple[EdgeResult, EdgeResult, EdgeResult, EdgeResult]
    cycles_per_px: float
    linear: bool
    fill: float

    @property
    def notes(self) -> tuple[str, ...]:
        """Notes that a report must state with the number."""
        return () if self.linear else ("non_linear",)


def cycles_per_px(lp_mm: float, pitch_mm: float, side_px: float) -> float:
    """A frequency at the target in cycles per pixel of the picture, from the square's known side."""
    return lp_mm * pitch_mm / side_px


def find_square(picture: NDArray[Any]) -> SquareLayout:
    """Find the dark square in `picture` (rows x columns) and place a region on each of its edges.

    Raises PictureRefused: `no_square`, `square_cut`, `square_tilt`.
    """
    coarse = find_dark_square(picture)
    if abs(coarse.angle_deg) > LARGEST_TILT_DEG:
        raise PictureRefused(
            "square_tilt",
            f"The square is turned by {coarse.angle_deg:.1f} degrees; up to {LARGEST_TILT_DEG:.0f} are taken.",
            {"angle_deg": coarse.angle_deg},
        )
    regions = tuple(_region(picture.shape, coarse, side, orientation) for side, orientation in SIDES)
    four = (regions[0], regions[1], regions[2], regions[3])
    try:
        lines = _lines(picture, four, coarse)
    except EdgeRefused:
        lines = []
    if not lines or any(line.room_px < LEAST_WINDOW_SIGMAS * line.sigma_px for line in lines):
        return SquareLayout(
            regions=four,
            angle_deg=coarse.angle_deg,
            side_px=coarse.side_px,
            u_side_px=_AREA_U * coarse.side_px,
            width_px=coarse.side_px,
            height_px=coarse.side_px,
            centre_x=coarse.x,
            centre_y=coarse.y,
            found_by="area",
        )
    return _measured(coarse, four, lines)


def measure_square(
    picture: NDArray[Any],
    layout: SquareLayout,
    cycles_per_px: float,
    window_px: float | None = None,
    *,
    full_scale: int | None = None,
    table: Floats | None = None,
    linear: bool = True,
) -> SquareModulation:
    """Measure the four edges of `layout` in `picture` (rows x columns) at one frequency, cycles per pixel.

    `window_px`, `full_scale` and `table` as in `edge.edge_modulation`. `linear=False` labels the result, where no
    `table` mends it. Raises EdgeRefused with the side's name: a square with a lost edge is lost.
    """
    edges: list[EdgeResult] = []
    centre = layout.centre_x, layout.centre_y
    ground = SquareGround.from_picture(picture, layout.regions, centre, layout.side_px, layout.angle_deg, table)
    reach_px = beyond_blur_px(picture, layout.regions, table) if window_px is None else PLATEAU * window_px
    light = ground.light_beyond(reach_px)
    rail = full_scale if full_scale is not None else full_scale_of(layout.regions[0].cut(picture))
    for region in layout.regions:
        try:
            edges.append(
                edge_modulation(
                    region.cut(picture),
                    region.orientation,
                    cycles_per_px,
                    window_px,
                    full_scale,
                    table=table,
                    ground=light.over(region),
                )
            )
        except EdgeRefused as refused:
            raise refused.named(region.side) from None
    left, right, top, bottom = edges
    modulation, u = mean_of(*edges)
    return SquareModulation(
        v=mean_of(left, right),
        h=mean_of(top, bottom),
        modulation=modulation,
        u=u,
        edges=(left, right, top, bottom),
        cycles_per_px=cycles_per_px,
        linear=linear or table is not None,
        fill=ground.brightest(reach_px) / (rail if table is None else float(table[rail])),
    )


def _lines(picture: NDArray[Any], regions: Sequence[Region], square: CoarseSquare) -> list[EdgeLine]:
    ground = SquareGround.from_picture(picture, regions, (square.x, square.y), square.side_px, square.angle_deg)
    light = ground.light_beyond(beyond_blur_px(picture, regions))
    lines = []
    for region in regions:
        pixels, _ = without_specks(region.upright(picture))
        over = light.over(region)
        lines.append(fit_edge_line((over.T if region.orientation == "h" else over).evened(pixels)))
    return lines


def _region(shape: tuple[int, ...], square: CoarseSquare, side: Side, orientation: Orientation) -> Region:
    """A rectangle about one edge: along it without the corners, across it as far as the frame allows."""
    tilt = np.radians(square.angle_deg)
    cos, sin = float(np.cos(tilt)), float(np.sin(tilt))
    half = 0.5 * square.side_px * (-1.0 if side in ("left", "top") else 1.0)
    x, y = (half * cos, half * sin) if orientation == "v" else (-half * sin, half * cos)
    length = square.side_px * (1.0 - 2.0 * CORNER_MARGIN) * cos
    across = REACH * square.side_px / cos + 0.5 * length * abs(sin / cos)
    dy, dx = (0.5 * length, across) if orientation == "v" else (across, 0.5 * length)
    top, bottom = (int(np.clip(round(square.y + y + d), 0, shape[0] - 1)) for d in (-dy, dy))
    first, last = (int(np.clip(round(square.x + x + d), 0, shape[1] - 1)) for d in (-dx, dx))
    return Region(top, first, bottom - top + 1, last - first + 1, orientation, side)


def _measured(coarse: CoarseSquare, regions: tuple[Region, ...], lines: list[EdgeLine]) -> SquareLayout:
    left, right, top, bottom = lines
    width, u_width = _distance((regions[0], regions[1]), (left, right), coarse.y)
    height, u_height = _distance((regions[2], regions[3]), (top, bottom), coarse.x)
    # a line x(y) of slope -tan and a line y(x) of slope +tan belong to one turn of the square
    slope = 0.25 * (bottom.slope + top.slope - left.slope - right.slope)
    return SquareLayout(
        regions=(regions[0], regions[1], regions[2], regions[3]),
        angle_deg=float(np.degrees(np.arctan(slope))),
        side_px=0.5 * (width + height),
        u_side_px=max(0.5 * float(np.hypot(u_width, u_height)), 0.5 * abs(width - height)),
        width_px=width,
        height_px=height,
        centre_x=coarse.x,
        centre_y=coarse.y,
        found_by="edges",
        widening_per_px=((bottom.slope - top.slope) / height, (right.slope - left.slope) / width),
    )


def _distance(regions: tuple[Region, Region], lines: tuple[EdgeLine, EdgeLine], at: float) -> tuple[float, float]:
    """Distance of two opposite edges on the line through the square's centre, and its standard uncertainty."""
    places = []
    for region, line in zip(regions, lines, strict=True):
        start, along = (region.col, region.row) if region.orientation == "v" else (region.row, region.col)
        y = at - along - 0.5 * (line.rows - 1)
        places.append(start + line.position + y * (line.slope + line.bend * y))
    near, far = lines
    cos = 1.0 / float(np.hypot(1.0, 0.5 * (near.slope + far.slope)))
    return cos * (places[1] - places[0]), cos * float(np.hypot(near.u_position_px, far.u_position_px))
