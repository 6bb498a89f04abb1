"""What `benchd picture` says, prints and draws of pictures seen, and of best focus through them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rich.console import Group, RenderableType
from rich.text import Text

from benchd.cli.picture_focus import AtDepth, ThroughFocus
from benchd.cli.picture_seen import STATE_CURVE, Measured, PictureSeen, layout_json, modulation_json, refused_json
from benchd.cli.tables import heading, item, pairs, plain, subheading
from benchd.detectors.edge.detector import EdgeDetector
from benchd.detectors.edge.pictures import Modulation
from benchd.detectors.values import Unusable
from benchd.metrology.rounding import rounded
from benchd.questions.through_focus import curve_of
from benchd.reports import numbers as say
from benchd.reports.picture_seen import CurveDrawn, draw

NOTES = {
    "colour_to_luma": "Colour became luma.",
    "lossy": "JPEG: its losses add to the noise, and what they correlate between pixels is not in u.",
    "gamma_encoded": "By its file the picture is not linear in light.",
    "bits_lost": "Of 16 bits of colour the upper 8 were read.",
    "alpha_dropped": "Transparency was dropped.",
}
NOT_LINEAR = f"Not known to be linear in light, so modulation is only indicative. {STATE_CURVE}"


def picture_table(path: Path, seen: PictureSeen | Unusable) -> RenderableType:
    """One picture: what it is, its levels, the square and its edges, or why there is none."""
    if isinstance(seen, Unusable):
        return Group(heading(f"Picture {path}"), _refusal(seen))
    rows, columns = seen.picture.values.shape
    levels, pixels = seen.exposure, seen.picture.values.size
    clipped, black = (say.percent(n / pixels) if n else "0 %" for n in (levels.clipped, levels.at_zero))
    about = [
        ("Size", f"{columns} x {rows} px, {seen.bits} bits"),
        ("Bright, dark", f"{levels.background:.0f}, {levels.dark:.0f} of {levels.full_scale}"),
        ("Bright field at", f"{100 * levels.fraction:.1f} % of full scale"),
        ("Clipped, at zero", f"{clipped}, {black} of the pixels"),
    ]
    notes = [NOTES[note] for note in seen.picture.notes]
    if isinstance(seen.found, Unusable):
        return Group(heading(f"Picture {path}"), pairs(about), *(item(note) for note in notes), _refusal(seen.found))
    if not seen.found.modulation.linear:
        notes.append(NOT_LINEAR)
    told = [*about, *_layout(seen.found), *_modulation(seen.found.modulation)]
    edges = [subheading("Edges"), _edges(seen.found)]
    return Group(heading(f"Picture {path}"), pairs(told), *edges, *(item(note) for note in notes))


def _refusal(why: Unusable) -> RenderableType:
    return Group(Text(f"{why.text} ({why.code})"), Text(why.advice))


def _layout(found: Measured) -> list[tuple[str, str]]:
    at = found.layout
    side = say.with_u(at.side_px, at.u_side_px, "px")
    lp_mm = "" if found.lp_mm is None else f", {found.lp_mm:.4g} lp/mm"
    return [
        ("Square at", f"{at.centre_x:.1f}, {at.centre_y:.1f} px (from the left, from the top)"),
        ("Its side", side),
        ("Turned by", f"{say.number(at.angle_deg, 2)}° (clockwise as seen)"),
        ("Frequency", f"{found.cycles_per_px:.4g} cycles/px{lp_mm}"),
    ]


def _modulation(found: Modulation) -> list[tuple[str, str]]:
    both = zip(EdgeDetector.legends.items(), (found.v, found.h), strict=True)
    return [(legend.capitalize(), say.with_u(*value)) for (_, legend), value in both]


def _edges(found: Measured) -> RenderableType:
    columns = (("edge", "left"), ("region", "left"), ("tilt °", "right"), ("width px", "right"), ("modulation", "left"))
    rows = [
        (
            region.side,
            f"{region.width} x {region.height} px from {region.col}, {region.row}",
            say.number(edge.angle_deg, 2),
            say.number(edge.sigma_px, 2),
            say.with_u(edge.modulation, edge.u),
        )
        for region, edge in zip(found.layout.regions, found.edges.edges, strict=True)
    ]
    return plain(columns, rows)


def drawn_picture(seen: PictureSeen) -> bytes:
    """A PNG. Raises ImportError."""
    found, title = seen.found, seen.path.name
    if isinstance(found, Unusable):
        return draw(seen.picture.values, f"{title}: {found.code}", found.text)
    return draw(seen.picture.values, title, _in_short(found), _regions(found))


def _regions(found: Measured) -> list[Any]:
    return list(zip(found.layout.regions, found.edges.edges, strict=True))


def _in_short(found: Measured) -> str:
    v, h = (say.with_u(*value) for value in (found.modulation.v, found.modulation.h))
    return f"Modulation at {found.cycles_per_px:.4g} cycles/px: vertical edges {v}, horizontal edges {h}"


# ---- a folder


def focus_table(seen: ThroughFocus) -> RenderableType:
    """Each picture in its order, then best focus and what its interval does not hold."""
    columns = (("picture", "left"), ("depth µm", "right"), ("vertical edges", "left"), ("horizontal edges", "left"))
    parts: list[RenderableType] = [subheading("Pictures"), plain(columns, [_row(one) for one in seen.pictures])]
    firsts = {why.code: f"{one.path.name}: {why.text}" for one in reversed(seen.pictures) if (why := one.refused)}
    parts += [item(f"{text} ({code})") for code, text in firsts.items()]
    if seen.sharpest is not None:
        parts += [subheading(f"All as in {seen.sharpest[0].path.name}"), pairs(_layout(seen.sharpest[2]))]
    if seen.fit is not None:
        parts += [subheading("Through focus"), pairs([("Best focus", _focus(seen)), ("", _how_sure(seen))])]
        parts += [item(note) for note in seen.notes]
    return Group(*parts)


def _row(one: AtDepth) -> tuple[str, ...]:
    depth = say.number(one.depth_um, 1)
    if isinstance(one.found, Unusable):
        return one.path.name, depth, one.found.code, ""
    return one.path.name, depth, say.with_u(*one.found.v), say.with_u(*one.found.h)


def _focus(seen: ThroughFocus) -> str:
    assert seen.fit is not None
    near, half = rounded(seen.fit.peak_um, seen.k * seen.fit.u_um)
    return f"{near.replace('-', say.MINUS)} ± {half} µm"


def _how_sure(seen: ThroughFocus) -> str:
    fit = seen.fit
    assert fit is not None
    inside = int(fit.inside.sum())
    return (
        f"95 %: k = {seen.k:.2f}, {fit.dof} degrees of freedom, u = {say.significant(fit.u_um)} µm, "
        f"{inside} pictures in the fit; half-width {fit.hwhm_um:.1f} µm"
    )


def focus_json(seen: ThroughFocus) -> dict[str, Any]:
    """The same as a document."""
    pictures = [
        {"file": str(one.path), "depth_um": one.depth_um}
        | (
            {"refused": refused_json(one.found)}
            if isinstance(one.found, Unusable)
            else modulation_json(one.found) | {"refused": None}
        )
        for one in seen.pictures
    ]
    doc: dict[str, Any] = {"ok": seen.refused is None, "pictures": pictures, "layout": None, "focus": None}
    if seen.sharpest is not None:
        doc["layout"] = {"of": str(seen.sharpest[0].path)} | layout_json(seen.sharpest[2])
    if seen.refused is not None:
        return doc | {"error": seen.refused.as_json()}
    fit = seen.fit
    assert fit is not None
    doc["focus"] = {
        "value": fit.peak_um,
        "unit": "um",
        "u": fit.u_um,
        "dof": fit.dof,
        "k": seen.k,
        "U": seen.k * fit.u_um,
        "hwhm_um": fit.hwhm_um,
        "inside": int(fit.inside.sum()),
        "flags": list(fit.flags),
        "notes": seen.notes,
    }
    return doc


def drawn_focus(seen: ThroughFocus) -> bytes:
    """A PNG: the sharpest picture and the curve. Raises ImportError."""
    assert seen.sharpest is not None
    one, values, found = seen.sharpest
    curve = curve_of(seen.points, 0.0)
    half_um = 0.0 if seen.fit is None else seen.k * seen.fit.u_um
    said = f"Best focus {_focus(seen)}, by the scatter of these readings alone" if seen.fit else _in_short(found)
    title = f"{one.path.name}, at {say.number(one.depth_um, 1)} µm"
    return draw(
        values, title, said, _regions(found), CurveDrawn(curve.offset_um, curve.value, curve.u, seen.fit, half_um)
    )
