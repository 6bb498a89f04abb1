"""What imaging sees in one picture: its levels, the square, and the modulation of each of its edges.

Decoded, found and measured by the functions that the edge detector has its worker call.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from benchd.detectors.edge.detector import window_px_for
from benchd.detectors.edge.pictures import (
    NEAR_FULL,
    TOO_FINE,
    Modulation,
    Rendition,
    SquareSeen,
    edges_in,
    glance_at,
    modulation_in,
)
from benchd.detectors.values import Unusable
from benchd.imaging.level import Exposure, judge_exposure
from benchd.imaging.picture import Picture, read_picture
from benchd.imaging.refusals import PictureRefused
from benchd.imaging.square import SquareLayout, SquareModulation, cycles_per_px

STATE_CURVE = (
    "Say --linear where that holds, or the --gamma of its curve; and expose less where the bright field stands above "
    f"{100 * NEAR_FULL:.0f} % of full scale."
)
READ = "Give a PNG, JPEG or TIFF of 8 or 16 bits; raw pictures are not read."


@dataclass(frozen=True, slots=True)
class Stated:
    """What a bench file says of its pictures: how they render light, and their scale by pixel or by the square's side.

    The frequency is `lp_mm`, or `cycles_per_px` where that is None.
    """

    rendition: Rendition
    cycles_per_px: float
    lp_mm: float | None = None
    pixel_um: float | None = None
    pitch_mm: float | None = None

    def glance(self, data: bytes) -> SquareSeen | Unusable:
        """The square of one picture by itself."""
        if self.lp_mm is None:  # a pixel of a millimetre has as many cycles as line pairs
            return glance_at(data, self.cycles_per_px, 1.0, 1000.0, self.rendition)
        seen = glance_at(data, self.lp_mm, self.pitch_mm or 1.0, self.pixel_um, self.rendition)
        if isinstance(seen, Unusable) and seen.code == TOO_FINE:
            return replace(seen, advice="Give a lower --lp-mm, or look at the scale.")
        return seen

    def frequency(self, side_px: float) -> tuple[float, float | None]:
        """Cycles per pixel, and line pairs per millimetre where the scale is stated."""
        if self.lp_mm is None:
            per_mm = 1000.0 / self.pixel_um if self.pixel_um else side_px / self.pitch_mm if self.pitch_mm else None
            return self.cycles_per_px, None if per_mm is None else self.cycles_per_px * per_mm
        if self.pixel_um:
            return self.lp_mm * self.pixel_um / 1000.0, self.lp_mm
        return cycles_per_px(self.lp_mm, self.pitch_mm or 1.0, side_px), self.lp_mm


@dataclass(frozen=True, slots=True)
class Measured:
    """Where and how a picture was measured, and what it gave; `edges` are left, right, top and bottom."""

    layout: SquareLayout
    cycles_per_px: float
    lp_mm: float | None
    window_px: float
    modulation: Modulation
    edges: SquareModulation


@dataclass(frozen=True, slots=True)
class PictureSeen:
    """All of one picture; `found` says why where there is nothing to measure."""

    path: Path
    picture: Picture
    exposure: Exposure
    found: Measured | Unusable

    @property
    def bits(self) -> int:
        """As many as the grey values use, as far as the picture shows it: twelve are often shifted up to sixteen."""
        whole = 8 * self.picture.values.dtype.itemsize
        step = (1 << whole) - self.exposure.full_scale
        return whole - step.bit_length() + 1


def read(path: Path) -> tuple[bytes, Picture] | Unusable:
    """The bytes of a file, and the picture in them."""
    if not path.is_file():
        return Unusable("not_found", "There is no such file.", READ)
    try:
        data = path.read_bytes()
        return data, read_picture(data)
    except OSError as error:
        return Unusable("unreadable", f"It cannot be read: {error.strerror}.", "Give yourself the right to read it.")
    except PictureRefused as refused:
        return Unusable(refused.code, refused.text, READ)


def see(path: Path, stated: Stated) -> PictureSeen | Unusable:
    """All of one picture by itself: the square found, the window by its own edges."""
    given = read(path)
    if isinstance(given, Unusable):
        return given
    data, picture = given
    seen = stated.glance(data)
    found = seen if isinstance(seen, Unusable) else measure(data, picture, stated, seen.layout, window_px_for([seen]))
    return PictureSeen(path, picture, judge_exposure(picture.values), found)


def measure(
    data: bytes, picture: Picture, stated: Stated, layout: SquareLayout, window_px: float
) -> Measured | Unusable:
    """The edges of a layout in a picture, as a sweep measures them."""
    cycles, lp_mm = stated.frequency(layout.side_px)
    modulation = modulation_in(data, layout, cycles, window_px, stated.rendition)
    if isinstance(modulation, Unusable):
        return modulation
    edges = edges_in(picture, layout, cycles, window_px, stated.rendition)
    return Measured(layout, cycles, lp_mm, window_px, modulation, edges)


def as_json(path: Path, seen: PictureSeen | Unusable) -> dict[str, Any]:
    """One picture in the document."""
    if isinstance(seen, Unusable):
        return {"file": str(path), "refused": refused_json(seen)}
    rows, columns = seen.picture.values.shape
    levels, pixels = seen.exposure, seen.picture.values.size
    doc: dict[str, Any] = {
        "file": str(path),
        "columns": columns,
        "rows": rows,
        "bits": seen.bits,
        "notes": list(seen.picture.notes),
        "levels": {
            "bright": levels.background,
            "dark": levels.dark,
            "full_scale": levels.full_scale,
            "bright_share": levels.fraction,
            "clipped_share": levels.clipped / pixels,
            "zero_share": levels.at_zero / pixels,
        },
    }
    if isinstance(seen.found, Unusable):
        return doc | {"refused": refused_json(seen.found)}
    return doc | layout_json(seen.found) | _values(seen.found) | {"refused": None}


def layout_json(found: Measured) -> dict[str, Any]:
    """Where the square is and how it was measured."""
    at = found.layout
    return {
        "square": {"x": at.centre_x, "y": at.centre_y, "side_px": at.side_px, "angle_deg": at.angle_deg},
        "cycles_per_px": found.cycles_per_px,
        "lp_mm": found.lp_mm,
        "window_px": found.window_px,
    }


def _values(found: Measured) -> dict[str, Any]:
    edges = [
        {
            "side": region.side,
            "row": region.row,
            "column": region.col,
            "rows": region.height,
            "columns": region.width,
            "modulation": edge.modulation,
            "u": edge.u,
            "angle_deg": edge.angle_deg,
            "sigma_px": edge.sigma_px,
        }
        for region, edge in zip(found.layout.regions, found.edges.edges, strict=True)
    ]
    return modulation_json(found.modulation) | {"edges": edges}


def modulation_json(modulation: Modulation) -> dict[str, Any]:
    """Both orientations as the picture lies, and whether they are known to be linear in light."""
    v, h = ({"value": value, "u": u} for value, u in (modulation.v, modulation.h))
    return {"v": v, "h": h, "linear": modulation.linear}


def refused_json(why: Unusable) -> dict[str, str]:
    """Why there is none."""
    return {"code": why.code, "text": why.text, "advice": why.advice}
