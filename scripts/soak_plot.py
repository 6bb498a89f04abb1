"""A history over time: where the carriage was told to be, what the run said, the light, and what was asked."""

from __future__ import annotations

import ast
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

BENCH = "benchd/north-rail/"
STATES = ("idle", "asking", "paused", "running", "aborting", "aborted", "failed", "done")


def drawn_over_time(lines: Sequence[str], file: Path) -> None:
    """Write the picture (PNG) of a witness's lines."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    places: list[tuple[float, float]] = []
    states: list[tuple[float, float]] = [(0.0, 0)]
    levels: list[tuple[float, float]] = []
    steps: list[tuple[float, str]] = []
    for line in lines:
        at, kind, *rest = line.split("\t")
        if kind == "step":
            steps.append((float(at), rest[0].partition(" ")[2][:40]))
        elif kind == "mqtt" and rest[0].startswith(BENCH):
            document = _document(rest[1])
            topic = rest[0].removeprefix(BENCH)
            if topic == "device/carriage" and document and document.get("carriage_um") is not None:
                places.append((float(at), document["carriage_um"] / 1000.0))
            elif topic == "procedure" and document:
                states.append((float(at), STATES.index(document["state"])))
            elif topic == "device/target_light" and document and "level" in document:
                levels.append((float(at), document["level"]))
    ends_s = float(lines[-1].partition("\t")[0]) if lines else 0.0
    for series in (places, states, levels):  # what was told last holds until the end
        if series:
            series.append((ends_s, series[-1][1]))
    figure, (top, middle, bottom) = pyplot.subplots(3, 1, sharex=True, figsize=(11, 7), height_ratios=(3, 2, 1))
    if places:
        top.plot(*zip(*places, strict=True), drawstyle="steps-post", linewidth=1.0)
    top.set_ylabel("carriage, mm")
    for at_s, text in steps[-60:]:
        top.axvline(at_s, linewidth=0.4, color="0.6")
        top.text(at_s, 1.0, text, rotation=90, fontsize=5, va="top", transform=top.get_xaxis_transform())
    middle.step(*zip(*states, strict=True), where="post")
    middle.set_yticks(range(len(STATES)), STATES, fontsize=7)
    if levels:
        bottom.step(*zip(*levels, strict=True), where="post")
    bottom.set_ylabel("light")
    bottom.set_xlabel("virtual time, s")
    figure.tight_layout()
    figure.savefig(file, dpi=130)
    pyplot.close(figure)


def _document(payload: str) -> dict[str, Any] | None:
    try:
        found = json.loads(ast.literal_eval(payload))
    except (ValueError, SyntaxError):
        return None
    return found if isinstance(found, dict) else None
