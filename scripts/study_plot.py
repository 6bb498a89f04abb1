"""The study as a picture: coverage of the stated interval with its error, and bias, stratum by stratum."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

from benchd.reports.palette import COLOURS, FOCUS, INK, LIMIT, PAPER, RULE, SOFT
from study_tables import BAND, STATED, Figures

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw(all_figures: Sequence[Figures], *, dpi: int = 150) -> bytes:
    """PNG, 10 inches wide; error bars are two standard deviations."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context({"font.size": 11.0, **COLOURS}):
        height = 2.0 + 0.32 * len(all_figures)
        figure = Figure(figsize=(10.0, height), dpi=dpi, facecolor=PAPER)
        FigureCanvasAgg(figure)
        top = 1.0 - 1.0 / height
        figure.text(0.028, 1.0 - 0.42 / height, "Does the stated interval hold the truth?", fontsize=17, weight="bold")
        cases = sum(one.cases for one in all_figures)
        said = f"{cases} simulated benches and lenses, each calibrated and measured anew; bars are two standard errors."
        figure.text(0.028, 1.0 - 0.75 / height, said, fontsize=10.5, color=SOFT)
        grid = figure.add_gridspec(
            1, 2, width_ratios=(1.5, 1.0), wspace=0.06, left=0.24, right=0.975, top=top, bottom=0.62 / height
        )
        left = figure.add_subplot(grid[0])
        _coverage(left, all_figures)
        _bias(figure.add_subplot(grid[1], sharey=left), all_figures)
        out = io.BytesIO()
        figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _coverage(axes: Axes, all_figures: Sequence[Figures]) -> None:
    _plain(axes)
    axes.axvspan(100 * BAND[0], 100 * BAND[1], color=FOCUS, alpha=0.14, lw=0)
    axes.axvline(100 * STATED, color=FOCUS, lw=1.4)
    for row, one in enumerate(all_figures):
        colour = INK if one.in_band else LIMIT
        axes.errorbar(
            100 * one.coverage, row, xerr=200 * one.u_coverage, fmt="o" if one.in_band else "s", ms=5.5, color=colour,
            elinewidth=1.3,
        )  # fmt: skip
    axes.set_yticks(range(len(all_figures)), [one.stratum for one in all_figures])
    axes.set_ylim(len(all_figures) - 0.4, -0.6)
    axes.set_xlabel("Coverage of the stated 95 % interval (%), band 93 to 97")


def _bias(axes: Axes, all_figures: Sequence[Figures]) -> None:
    _plain(axes)
    axes.axvline(0.0, color=INK, lw=1.0, ls=(0, (5, 3)))
    for row, one in enumerate(all_figures):
        axes.errorbar(one.bias_um, row, xerr=2 * one.u_bias_um, fmt="o", ms=5.5, color=INK, elinewidth=1.3)
    axes.tick_params(labelleft=False)
    axes.set_xlabel("Mean error, stated less true (µm)")


def _plain(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(color=RULE, lw=0.7)
    axes.set_axisbelow(True)
