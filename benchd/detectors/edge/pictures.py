"""Work on one picture in the worker process: decode it, judge its exposure, find the target, measure its edges.

Module-level functions of bytes, so that they can be sent to the analysis process; their results are small. A refusal
by the imaging room is returned as a value, because a pickled exception would lose its data.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.detectors.values import Unusable
from benchd.imaging.level import Exposure, judge_exposure
from benchd.imaging.marks import MarksSeen, measure_marks
from benchd.imaging.picture import Picture, decode, linear_table, read_picture
from benchd.imaging.refusals import PictureRefused
from benchd.imaging.square import SquareLayout, SquareModulation, cycles_per_px, find_square, measure_square
from benchd.imaging.strip import StripSeen, measure_strip

NEAR_FULL = 0.88
"""Share of full scale above which cameras may be non-linear before they clip, which no picture shows. The exposure is
set below it."""


MARKS = "Look at the picture: two dark round marks belong on the bright wall beside the square, clear of its edges."
STRIP = (
    "Look at the picture: one row of nine or more dark bars of even pitch, longer than they are wide, belongs on the "
    "bright wall, half a side of the square or more away from its edges."
)

TOO_FINE = "too_fine"
FINEST_CYCLES = 1.0
"""Cycles per pixel: the highest frequency that an edge can measure."""


@dataclass(frozen=True, slots=True)
class Rendition:
    """How a camera renders the scene: whether it is stated to be linear, and the exponent of its curve if stated.

    `turned`: the picture is turned by 90 degrees, so that its columns are horizontal on the bench.
    """

    linear: bool = True
    gamma: float | None = None
    turned: bool = False

    def table_for(self, picture: Picture) -> NDArray[np.float64] | None:
        """Light per grey value if the curve is stated, regardless of the picture file's own metadata; else None."""
        return None if self.gamma is None else linear_table(self.gamma, picture.full_scale)

    def is_linear(self, picture: Picture) -> bool:
        """Whether grey values are linear in light, by the camera's statement and the picture file's metadata."""
        return self.gamma is not None or (self.linear and picture.linear)


@dataclass(frozen=True, slots=True)
class SquareSeen:
    """The target in one picture by itself: its position, blur of its edges (px), and modulation.

    A glance chooses stations and positions; it never enters a fit, because its window depends on its own blur.
    """

    layout: SquareLayout
    sigma_px: float
    room_px: float
    modulation: float
    u: float


@dataclass(frozen=True, slots=True)
class Modulation:
    """Modulation by orientation on the bench, `v` of vertical edges, each with the standard uncertainty of the noise.

    `linear` is false if the picture was neither linear in light nor could be made so, or was near full scale. `swing`
    is how much brighter the field is than the square: it depends on light and exposure, not on focus.
    """

    v: tuple[float, float]
    h: tuple[float, float]
    linear: bool = True
    swing: float | None = None


@dataclass(frozen=True, slots=True)
class OnWall:
    """A known way on the wall in sides of the square; `across_px`: how far from the square's middle it is seen, twice.
    Relative u of the first in one picture: by its noise, and by what is the same in every picture."""

    in_sides: float
    across_px: float
    u_noise_rel: float
    u_same_rel: float


def exposure_in(data: bytes) -> Exposure | Unusable:
    """How well a picture is exposed."""
    try:
        return judge_exposure(decode(data))
    except PictureRefused as refused:
        return _unusable(refused.code, refused.text)


def glance_at(
    data: bytes, lp_mm: float, pitch_mm: float, pixel_um: float | None, rendition: Rendition
) -> SquareSeen | Unusable:
    """Find the square and measure it at `lp_mm`; the scale comes from its side, or from the pixel size if stated."""
    try:
        picture = read_picture(data)
        table = rendition.table_for(picture)
        layout = find_square(_light(picture, table))
        if layout.found_by != "edges":
            return _unusable("too_blurred", "The square is there, but its edges are too blurred to be measured.")
        cycles = lp_mm * pixel_um / 1000.0 if pixel_um else cycles_per_px(lp_mm, pitch_mm, layout.side_px)
        if cycles >= FINEST_CYCLES:
            text = f"{lp_mm:g} lp/mm are {cycles:.2g} cycles in a pixel of this picture; an edge tells of less than 1."
            return _unusable(TOO_FINE, text)
        found = measure_square(picture.values, layout, cycles, table=table)
    except PictureRefused as refused:
        return _unusable(refused.code, refused.text)
    edges = found.edges
    return SquareSeen(layout, max(e.sigma_px for e in edges), min(e.room_px for e in edges), found.modulation, found.u)


def modulation_in(
    data: bytes, layout: SquareLayout, cycles_per_px: float, window_px: float | None, rendition: Rendition
) -> Modulation | Unusable:
    """Modulation of the square's edges at a known place and frequency."""
    try:
        found = edges_in(read_picture(data), layout, cycles_per_px, window_px, rendition)
    except PictureRefused as refused:
        return _unusable(refused.code, refused.text)
    v, h = (found.h, found.v) if rendition.turned else (found.v, found.h)
    swing = sum(edge.swing for edge in found.edges) / len(found.edges)
    return Modulation(v, h, found.linear and found.fill <= NEAR_FULL, swing)


def edges_in(
    picture: Picture, layout: SquareLayout, cycles_per_px: float, window_px: float | None, rendition: Rendition
) -> SquareModulation:
    """The same edge by edge, as the picture lies. Raises PictureRefused."""
    table, linear = rendition.table_for(picture), rendition.is_linear(picture)
    return measure_square(picture.values, layout, cycles_per_px, window_px, table=table, linear=linear)


def marks_in(data: bytes, rendition: Rendition) -> OnWall | Unusable:
    """How far apart two marks on the wall are in one picture."""
    return _on_wall(data, rendition, measure_marks, MARKS)


def strip_in(data: bytes, rendition: Rendition) -> OnWall | Unusable:
    """The period of a strip of bars on the wall in one picture."""
    return _on_wall(data, rendition, measure_strip, STRIP)


def _on_wall(
    data: bytes, rendition: Rendition, measure: Callable[..., MarksSeen | StripSeen], advice: str
) -> OnWall | Unusable:
    try:
        picture = read_picture(data)
        table = rendition.table_for(picture)
        layout = find_square(_light(picture, table))
        if layout.found_by != "edges":
            return _unusable("too_blurred", "The square is there, but its edges are too blurred to be measured.")
        found = measure(picture.values, layout, table)
    except PictureRefused as refused:
        return Unusable(refused.code, refused.text, advice)
    if isinstance(found, MarksSeen):
        return OnWall(found.in_sides, found.apart_px, found.u_noise_rel, found.u_side_rel)
    return OnWall(found.in_sides, found.across_px, found.u_noise_rel, found.u_same_rel)


def _unusable(code: str, text: str) -> Unusable:
    return Unusable(code, text, "Look at the picture; check light and target.")


def _light(picture: Picture, table: NDArray[np.float64] | None) -> NDArray[Any]:
    """The picture linearised if its curve is known: edge positions and the square's side depend on that."""
    return picture.values if table is None else table.astype(np.float32)[picture.values]
