"""A picture of the curves in a finding, one below the other, for questions without a picture of their own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from benchd.errors import Refused
from benchd.reports.numbers import unit
from benchd.reports.palette import INK, SOFT, plain, png, sheet
from benchd.reports.words import measurand_line
from benchd.shown import document_shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Doc = Mapping[str, Any]


def draw(finding: Doc, *, dpi: int = 150) -> bytes:
    """A PNG, 10 inches wide. Raises Refused('not_found') for a finding without a curve."""
    finding = document_shown(finding)
    curves = finding.get("curves") or {}
    if not curves:
        raise Refused("not_found", f"{finding['finding']} has no curve to draw.", advice="Leave --out away.")
    with sheet(10.0, 1.2 + 3.6 * len(curves), dpi=dpi) as figure:
        axes = figure.subplots(len(curves), 1, squeeze=False)
        of = finding["measurand"].get("artefact") or finding["lens"] or ""
        name = str(finding["assessment"]).replace("_", " ").capitalize()
        figure.suptitle(f"{name} of {of}" if of else name, fontweight="bold")
        for panel, (name, curve) in zip(axes[:, 0], curves.items(), strict=True):
            _curve(panel, name.replace("_", " "), curve)
        figure.text(0.028, 0.012, measurand_line(finding), fontsize=9.5, color=SOFT)
        figure.tight_layout(rect=(0.0, 0.03, 1.0, 1.0))
        return png(figure)


def _curve(axes: Axes, name: str, curve: Doc) -> None:
    plain(axes)
    x, y = [point[0] for point in curve["points"]], [point[1] for point in curve["points"]]
    axes.errorbar(x, y, yerr=curve.get("u") or None, fmt="o-", ms=4.5, color=INK, elinewidth=0.9, lw=1.2)
    axes.set_title(name.capitalize(), loc="left", fontsize=11.5)
    axes.set_xlabel(_label(curve["x"]))
    axes.set_ylabel(_label(curve["y"]))


def _label(of: Doc) -> str:
    name = unit(of.get("unit", "1"))
    return f"{of['name']} ({name})" if name else str(of["name"])
