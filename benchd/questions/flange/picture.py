"""The through-focus curve as a picture: readings, fit, best focus and tolerance."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import cycle
from typing import TYPE_CHECKING, Any

from benchd.detectors.registry import legend
from benchd.questions.flange import words
from benchd.reports.numbers import signed
from benchd.reports.palette import AWAY, FOCUS, HORIZONTAL, INK, LIMIT, PAPER, SOFT, VERTICAL, note, plain, png, sheet
from benchd.reports.words import crossing_sentence, measurand_line, nominal
from benchd.shown import document_shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LINE = 104
"""Characters that fit into one line of the heading."""

LOOKS = ((VERTICAL, "o"), (HORIZONTAL, "s"), (LIMIT, "^"), (SOFT, "D"))
"""Colour and marker of the first channel, the second, and so on."""


@dataclass(frozen=True, slots=True)
class Points:
    """Merit over offset (um) with standard uncertainties; `used`: which entered the fit (None: all)."""

    offset_um: Sequence[float]
    value: Sequence[float]
    u: Sequence[float]
    used: Sequence[bool] | None = None


@dataclass(frozen=True, slots=True)
class Fit:
    """The fitted curve over its window, and the limits of its 95 % band."""

    offset_um: Sequence[float]
    value: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]


@dataclass(frozen=True, slots=True)
class Curve:
    """Readings and fit: the channels by their names in the record, their mean, the fit."""

    channels: Mapping[str, Points]
    mean: Points
    fit: Fit


def draw(finding: Mapping[str, Any], curve: Curve, *, dpi: int = 150) -> bytes:
    """The picture of a finding with a `focus_error`, as PNG (10 by 7 inches at `dpi`).

    Raises KeyError for a finding without `focus_error`.
    """
    finding = document_shown(finding)
    with sheet(10.0, 7.0, dpi=dpi) as figure:
        top = _draw_heading(figure, finding) - 0.018
        grid = figure.add_gridspec(
            2, 1, height_ratios=(5.2, 1.0), hspace=0.42, left=0.085, right=0.972, top=top, bottom=0.085
        )
        _draw_sweep(figure.add_subplot(grid[0]), finding, curve)
        _draw_ruler(figure.add_subplot(grid[1]), finding)
        return png(figure)


def _draw_heading(figure: Figure, finding: Mapping[str, Any]) -> float:
    """Write the lines above the axes; gives the height left below them."""
    figure.text(0.028, 0.952, words.headline(finding), fontsize=18, fontweight="bold")
    sentences = [words.best_focus_sentence(finding), crossing_sentence(finding), words.advice_sentence(finding)]
    lines = [(line, INK) for sentence in sentences for line in textwrap.wrap(sentence, LINE)]
    y = 0.915
    for text, colour in [*lines, (measurand_line(finding), SOFT)]:
        figure.text(0.028, y, text, fontsize=10.5, color=colour)
        y -= 0.030
    return y


def _draw_sweep(axes: Axes, finding: Mapping[str, Any], curve: Curve) -> None:
    plain(axes)
    for (channel, points), (colour, marker) in zip(curve.channels.items(), cycle(LOOKS), strict=False):
        axes.errorbar(
            points.offset_um, points.value, yerr=points.u, fmt=marker, ms=5, mfc=PAPER, mec=colour, mew=1.1,
            ecolor=colour, elinewidth=0.9, alpha=0.8, label=legend(channel), zorder=3,
        )  # fmt: skip
    _draw_mean_points(axes, curve.mean, len(curve.channels))
    fit = curve.fit
    axes.fill_between(fit.offset_um, fit.low, fit.high, color=INK, alpha=0.16, lw=0, label="fit, 95 % band", zorder=2)
    axes.plot(fit.offset_um, fit.value, color=INK, lw=1.6, zorder=4)
    _draw_focus_bar(axes, finding)
    axes.axvline(0.0, color=INK, lw=1.0, ls=(0, (5, 3)), zorder=1)
    note(axes, 0.0, "nominal", INK)
    # As wide as the readings, including nominal; an interval wider than the sweep is cut off on both sides.
    low, high = min(0.0, *curve.mean.offset_um, *_limits(finding)), max(0.0, *curve.mean.offset_um, *_limits(finding))
    axes.set_xlim(low - 0.04 * (high - low), high + 0.04 * (high - low))
    for limit in _limits(finding):
        axes.axvline(limit, color=LIMIT, lw=1.2, ls=(0, (1.5, 2)), zorder=1)
        if abs(limit) > 0.065 * (high - low):
            note(axes, limit, signed(limit), LIMIT)
    read = [value for points in curve.channels.values() for value in points.value]
    axes.set_ylim(bottom=0.0, top=1.15 * max(*read, *fit.high))
    axes.set_xlabel(f"Offset from {nominal(finding)} (µm), positive is deeper")
    axes.set_ylabel(words.merit_label(finding))
    focus = finding["values"]["focus_error"]["value"]
    axes.legend(
        loc="upper right" if focus < low + 0.6 * (high - low) else "upper left",
        frameon=False,
        fontsize=10,
        handletextpad=0.5,
        labelspacing=0.45,
    )


def _draw_mean_points(axes: Axes, mean: Points, channels: int) -> None:
    """Points inside and outside the fit: the mean of the channels, or the reading itself of a single channel."""
    what = {1: "reading", 2: "mean of both"}.get(channels, "mean of all")
    away = "reading, outside the fit" if channels == 1 else "mean, outside the fit"
    used = mean.used if mean.used is not None else [True] * len(mean.offset_um)
    for entered, colour, name in ((True, INK, what), (False, AWAY, away)):
        chosen = [i for i, in_fit in enumerate(used) if bool(in_fit) is entered]
        if chosen:
            axes.errorbar(
                [mean.offset_um[i] for i in chosen], [mean.value[i] for i in chosen], yerr=[mean.u[i] for i in chosen],
                fmt="o", ms=4.5, color=colour, elinewidth=1.2, label=name, zorder=5,
            )  # fmt: skip


def _draw_ruler(axes: Axes, finding: Mapping[str, Any]) -> None:
    """The middle of the curve enlarged: best focus with its interval, nominal and the tolerance."""
    plain(axes)
    value = finding["values"]["focus_error"]
    focus, half = value["value"], value["U"]
    limits = _limits(finding)
    reach = 1.25 * max(abs(focus) + half, *(abs(limit) for limit in limits), 1e-3)
    axes.set_xlim(-reach, reach)
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.grid(visible=False)
    axes.spines["left"].set_visible(False)
    if len(limits) == 2:
        axes.axvspan(*limits, color=LIMIT, alpha=0.10, lw=0)
    for limit in limits:
        axes.axvline(limit, color=LIMIT, lw=1.2, ls=(0, (1.5, 2)))
        note(axes, limit, f"tolerance {signed(limit)}", LIMIT)
    axes.axvline(0.0, color=INK, lw=1.0, ls=(0, (5, 3)))
    note(axes, 0.0, "nominal", INK)
    axes.fill_betweenx([0.28, 0.72], focus - half, focus + half, color=FOCUS, alpha=0.30, lw=0)
    axes.plot([focus, focus], [0.16, 0.84], color=FOCUS, lw=2.4)
    against = "the tolerance" if limits else nominal(finding)
    axes.set_xlabel(f"Best focus (µm) with its 95 % interval, against {against}")


def _draw_focus_bar(axes: Axes, finding: Mapping[str, Any]) -> None:
    value = finding["values"]["focus_error"]
    focus, half = value["value"], value["U"]
    axes.axvspan(focus - half, focus + half, color=FOCUS, alpha=0.22, lw=0, label="best focus, 95 % interval", zorder=0)
    axes.axvline(focus, color=FOCUS, lw=1.8, zorder=1)


def _limits(finding: Mapping[str, Any]) -> list[float]:
    verdict = finding["verdict"]
    if verdict is None:
        return []
    return [limit for limit in (verdict["low"], verdict["high"]) if limit is not None]
