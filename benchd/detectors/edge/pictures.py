"""What the worker does with one picture: decode it, judge its exposure, find the target, measure its edges.

Module-level functions of bytes, so that they can be sent to the analysis process; their results are small. A refusal
by the imaging room crosses back as a value, because an exception would lose its figures on the way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.detectors.values import Unusable
from benchd.imaging.level import Exposure, judge_exposure
from benchd.imaging.picture import Picture, decode, linear_table, read_picture
from benchd.imaging.refusals import PictureRefused
from benchd.imaging.square import SquareLayout, cycles_per_px, find_square, measure_square

NEAR_FULL = 0.88
"""Of full scale: above it cameras bend before they cut off, and no picture tells how much. The exposure that is sought
lies below."""


TOO_FINE = "too_fine"
FINEST_CYCLES = 1.0
"""Cycles in a pixel: of no finer pattern an edge has an answer."""


@dataclass(frozen=True, slots=True)
class Rendition:
    """How a camera renders the bench: whether its record says linear, the exponent of its curve where it is stated.

    `turned` is true where its picture lies on a side: its columns then stand for what is level on the bench.
    """

    linear: bool = True
    gamma: float | None = None
    turned: bool = False

    def table_for(self, picture: Picture) -> NDArray[np.float64] | None:
        """Light per grey value, where the curve is stated; whatever the file says of itself."""
        return None if self.gamma is None else linear_table(self.gamma, picture.full_scale)

    def is_linear(self, picture: Picture) -> bool:
        """Whether grey values are light: by the camera's record, and where the file itself does not gainsay it."""
        return self.gamma is not None or (self.linear and picture.linear)


@dataclass(frozen=True, slots=True)
class SquareSeen:
    """The target as seen in one picture by itself: where it is, how blurred its edges are (px), and its modulation.

    A glance chooses stations and places; it never enters a fit, because its window follows its own blur.
    """

    layout: SquareLayout
    sigma_px: float
    room_px: float
    modulation: float
    u: float


@dataclass(frozen=True, slots=True)
class Modulation:
    """Modulation by orientation on the bench, `v` of upright edges, each with the standard uncertainty of the noise.

    `linear` is false where the picture was neither linear in light nor could be made so, or stood near full
    scale. `swing` is how much brighter the field is than the square: it goes with light and exposure, and not with
    focus.
    """

    v: tuple[float, float]
    h: tuple[float, float]
    linear: bool = True
    swing: float | None = None


def exposure_in(data: bytes) -> Exposure | Unusable:
    """How well a picture is exposed."""
    try:
        return judge_exposure(decode(data))
    except PictureRefused as refused:
        return _unusable(refused.code, refused.text)


def glance_at(
    data: bytes, lp_mm: float, pitch_mm: float, pixel_um: float | None, rendition: Rendition
) -> SquareSeen | Unusable:
    """Find the square and measure it at `lp_mm`; the scale comes from its side, or from a known pixel pitch."""
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
        picture = read_picture(data)
        table, linear = rendition.table_for(picture), rendition.is_linear(picture)
        found = measure_square(picture.values, layout, cycles_per_px, window_px, table=table, linear=linear)
    except PictureRefused as refused:
        return _unusable(refused.code, refused.text)
    v, h = (found.h, found.v) if rendition.turned else (found.v, found.h)
    swing = sum(edge.swing for edge in found.edges) / len(found.edges)
    return Modulation(v, h, found.linear and found.fill <= NEAR_FULL, swing)


def _unusable(code: str, text: str) -> Unusable:
    return Unusable(code, text, "Look at the picture; check light and target.")


def _light(picture: Picture, table: NDArray[np.float64] | None) -> NDArray[Any]:
    """The picture in light, as far as its curve is known: an edge's place and the square's side go by it."""
    return picture.values if table is None else table.astype(np.float32)[picture.values]
