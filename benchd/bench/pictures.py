"""What the worker does with one picture: decode it, judge its exposure, find the target, measure its edges.

Module-level functions of bytes, so that they can be sent to the analysis process; their results are small. A refusal
by the imaging room crosses back as a value, because an exception would lose its figures on the way.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.imaging.level import Exposure, judge_exposure
from benchd.imaging.picture import decode
from benchd.imaging.refusals import PictureRefused
from benchd.imaging.square import SquareLayout, cycles_per_px, find_square, measure_square


@dataclass(frozen=True, slots=True)
class Unusable:
    """Why a picture gave no number: the imaging room's code and its sentence."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Glance:
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
    """Modulation of one picture by orientation, each with the standard uncertainty of the picture's noise."""

    v: tuple[float, float]
    h: tuple[float, float]


def exposure_in(data: bytes) -> Exposure | Unusable:
    """How well a picture is exposed."""
    try:
        return judge_exposure(decode(data))
    except PictureRefused as refused:
        return Unusable(refused.code, refused.text)


def glance_at(data: bytes, lp_mm: float, pitch_mm: float, pixel_um: float | None) -> Glance | Unusable:
    """Find the square and measure it at `lp_mm`; the scale comes from its side, or from a known pixel pitch."""
    try:
        picture = decode(data)
        layout = find_square(picture)
        if layout.found_by != "edges":
            return Unusable("too_blurred", "The square is there, but its edges are too blurred to be measured.")
        cycles = lp_mm * pixel_um / 1000.0 if pixel_um else cycles_per_px(lp_mm, pitch_mm, layout.side_px)
        found = measure_square(picture, layout, cycles)
    except PictureRefused as refused:
        return Unusable(refused.code, refused.text)
    edges = found.edges
    return Glance(layout, max(e.sigma_px for e in edges), min(e.room_px for e in edges), found.modulation, found.u)


def modulation_in(
    data: bytes, layout: SquareLayout, cycles_per_px: float, window_px: float | None
) -> Modulation | Unusable:
    """Modulation of the square's edges at a known place and frequency."""
    try:
        found = measure_square(decode(data), layout, cycles_per_px, window_px)
    except PictureRefused as refused:
        return Unusable(refused.code, refused.text)
    return Modulation(found.v, found.h)
