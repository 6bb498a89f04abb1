"""A camera's picture with what was seen in it drawn over: regions, edges, modulation; below it the curve of several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchd.imaging.edge import EdgeResult
from benchd.imaging.region import Region
from benchd.metrology.peak import PeakFit
from benchd.reports.numbers import with_u
from benchd.reports.palette import FOCUS, HORIZONTAL, INK, PAPER, SOFT, VERTICAL, plain, png, sheet
from benchd.shown import in_one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_PX = 1600
"""Of the longer side: a sheet of paper shows no more."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CurveDrawn:
    """Modulation over depth (um) with its u, one entry a picture; the fit and half of its interval (um), if any."""

    depth_um: Floats
    value: Floats
    u: Floats
    fit: PeakFit | None = None
    half_um: float = 0.0


def draw(
    picture: NDArray[Any],
    title: str,
    said: str,
    edges: Sequence[tuple[Region, EdgeResult]] = (),
    curve: CurveDrawn | None = None,
    *,
    dpi: int = 150,
) -> bytes:
    """A PNG, 10 inches wide: `picture` (rows x columns) under its title, `said` below it."""
    rows, columns = picture.shape
    of_picture = min(9.4 * rows / columns, 12.0)
    of_curve = 0.0 if curve is None else 3.6
    height_in = 1.3 + of_picture + of_curve
    with sheet(10.0, height_in, dpi=dpi) as figure:
        ratios = [of_picture] if curve is None else [of_picture, of_curve]
        panels = figure.subplots(len(ratios), 1, squeeze=False, height_ratios=ratios)[:, 0]
        step = max(1, -(-max(picture.shape) // MOST_PX))
        shown = picture[::step, ::step]
        panels[0].imshow(shown, cmap="gray", extent=(-0.5, columns - 0.5, rows - 0.5, -0.5), interpolation="nearest")
        panels[0].set_title(in_one_line(title), loc="left", fontweight="bold", fontsize=11.5)
        panels[0].set_xlabel("px")
        panels[0].set_ylabel("px")
        for region, edge in edges:
            _edge(panels[0], region, edge)
        if curve is not None:
            _curve(panels[1], curve)
        figure.text(0.028, 0.1 / height_in, in_one_line(said), fontsize=9.5, color=SOFT, va="bottom", wrap=True)
        figure.tight_layout(rect=(0.0, 0.5 / height_in, 1.0, 1.0))
        return png(figure)


def _edge(axes: Axes, region: Region, edge: EdgeResult) -> None:
    """The region's frame and the edge's line: full for vertical edges, broken for horizontal ones."""
    from matplotlib.patches import Rectangle

    upright = region.orientation == "v"
    colour, style = (VERTICAL, "-") if upright else (HORIZONTAL, "--")
    frame = (region.col - 0.5, region.row - 0.5)
    axes.add_patch(Rectangle(frame, region.width, region.height, fill=False, ec=colour, lw=1.6, ls=style))
    length = region.height if upright else region.width
    along = np.arange(length, dtype=np.float64)
    y = along - 0.5 * (length - 1)
    across = edge.position + y * (edge.slope + y * edge.bend)
    xs, ys = (across, along) if upright else (along, across)
    axes.plot(xs + region.col, ys + region.row, color=PAPER, lw=3.0)
    axes.plot(xs + region.col, ys + region.row, color=colour, lw=1.6, ls=style)
    axes.text(
        region.col + 0.5 * region.width, region.row + 0.5 * region.height,
        f"{region.side}\n{with_u(edge.modulation, edge.u)}", ha="center", va="center", fontsize=8.5, color=INK,
        bbox={"facecolor": PAPER, "edgecolor": colour, "alpha": 0.9, "boxstyle": "round,pad=0.25"},
    )  # fmt: skip


def _curve(axes: Axes, curve: CurveDrawn) -> None:
    plain(axes)
    fit = curve.fit
    axes.errorbar(curve.depth_um, curve.value, yerr=curve.u, fmt="o", ms=4.5, color=INK, elinewidth=0.9)
    if fit is not None:
        z = np.linspace(fit.centre_um - fit.half_window_um, fit.centre_um + fit.half_window_um, 200)
        axes.plot(z, fit.curve(z)[0], color=VERTICAL, lw=1.4)
        axes.axvspan(fit.peak_um - curve.half_um, fit.peak_um + curve.half_um, color=FOCUS, alpha=0.25, lw=0)
        axes.axvline(fit.peak_um, color=FOCUS, lw=1.4, ls="-.")
    axes.set_xlabel("depth (µm)")
    axes.set_ylabel("modulation")
