"""The control chart of a check lens as a picture: checks, mean, limits, and the average with its own."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchd.questions.check_lens import words
from benchd.questions.check_lens.history import day
from benchd.reports.palette import AWAY, FOCUS, INK, LIMIT, PAPER, SOFT, plain, png, sheet
from benchd.reports.words import measurand_line, nominal
from benchd.shown import document_shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Doc = Mapping[str, Any]

LINE = 104
"""Characters that fit into one line of the heading."""
DATES = 8
"""Dates that fit below the axis."""


def draw(finding: Doc, *, dpi: int = 150) -> bytes:
    """The picture of a finding `check_lens`, as PNG (10 by 6 inches at `dpi`)."""
    finding = document_shown(finding)
    with sheet(10.0, 6.0, dpi=dpi) as figure:
        figure.text(0.028, 0.945, f"Check lens {finding['lens']}", fontsize=18, fontweight="bold")
        y = 0.9
        for line in textwrap.wrap(words.sentence(finding), LINE):
            figure.text(0.028, y, line, fontsize=10.5, color=INK)
            y -= 0.035
        figure.text(0.028, y, measurand_line(finding), fontsize=10.5, color=SOFT)
        axes = figure.add_axes((0.085, 0.11, 0.885, y - 0.18))
        _draw_chart(axes, finding)
        return png(figure)


def _draw_chart(axes: Axes, finding: Doc) -> None:
    plain(axes)
    rows = finding["tables"]["checks"]["rows"]
    numbers, values = [int(row[0]) for row in rows], [row[2] for row in rows]
    axes.plot(numbers, values, color=AWAY, lw=0.9, zorder=2)
    baseline = finding["tables"]["state"]["rows"][0][5]
    for within, fill, label in ((True, PAPER, "check of the baseline"), (False, INK, "check")):
        chosen = [(row[0], row[2]) for row in rows if (row[0] <= baseline) is within]
        if chosen:
            axes.plot(*zip(*chosen, strict=True), "o", ms=6, mfc=fill, mec=INK, ls="", label=label, zorder=4)
    if "centre" in finding["values"]:
        _draw_limits(axes, finding)
        _draw_average(axes, finding, rows, baseline)
    axes.set_xlim(numbers[0] - 0.7, numbers[-1] + 0.7)
    axes.margins(y=0.12)
    step = -(-len(rows) // DATES)
    dated = list(range(len(rows) - 1, -1, -step))  # today is always among them
    axes.set_xticks([numbers[i] for i in dated], [f"{numbers[i]}\n{day(rows[i][1])}" for i in dated], fontsize=9)
    axes.set_ylabel(f"Focus error from {nominal(finding)} (µm)")
    axes.legend(loc="best", frameon=False, fontsize=9.5)


def _draw_limits(axes: Axes, finding: Doc) -> None:
    centre, low, high = (finding["values"][key]["value"] for key in ("centre", "low", "high"))
    axes.axhline(centre, color=INK, lw=1.0, ls=(0, (5, 3)), label="mean of the baseline", zorder=1)
    axes.axhline(low, color=LIMIT, lw=1.3, ls=(0, (1.5, 2)), label="limits", zorder=1)
    axes.axhline(high, color=LIMIT, lw=1.3, ls=(0, (1.5, 2)), zorder=1)


def _draw_average(axes: Axes, finding: Doc, rows: Sequence[Sequence[Any]], baseline: int) -> None:
    """The average, and the limits that it has now."""
    averaged = [(row[0], row[3]) for row in rows if row[3] is not None]
    axes.plot(*zip(*averaged, strict=True), color=FOCUS, lw=2.0, label="average of the last, and its limits", zorder=3)
    low, high = (finding["values"][key]["value"] for key in ("average_low", "average_high"))
    axes.fill_between([baseline + 0.5, rows[-1][0] + 0.7], low, high, color=FOCUS, alpha=0.13, lw=0, zorder=0)
