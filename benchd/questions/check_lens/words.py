"""The sentence of the morning: trusted, drifting (which way, since when), or not to be trusted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.metrology.rounding import rounded
from benchd.questions.check_lens.history import day
from benchd.reports.numbers import MINUS

Doc = Mapping[str, Any]


def sentence(doc: Doc) -> str:
    """The state of the bench in a plain sentence, with the figures that it rests on."""
    state, side, since, *counts = doc["tables"]["state"]["rows"][0]
    lasted, checks, baseline = (int(count or 0) for count in counts)  # cells hold no integers
    lens = f"check lens {doc['lens']}"
    if state == "too few":
        lacks = f"this is check {checks} of the {baseline} that the limits are taken from"
        return f"By {lens} the bench cannot be judged yet: {lacks}."
    departure, half = _within(doc, "departure", "low", "high")
    stands = f"{lens} stands {departure} µm from its mean of {baseline}"
    if state == "trusted":
        return f"The bench is trusted: {stands}, within ±{half} µm."
    long = f" since {day(since)} ({lasted} checks)" if lasted > 1 else ""
    if state == "drifting":
        average, of_average = _within(doc, "average", "average_low", "average_high")
        return (
            f"The bench drifts: {side}{long}; the average of the last checks stands {average} µm from the mean, "
            f"outside ±{of_average} µm, and {stands}, within ±{half} µm."
        )
    return (
        f"The bench is not to be trusted: {stands}, {side} and outside ±{half} µm{long}. Find the cause (seats, "
        "temperature, adapters) before lenses are judged."
    )


def _within(doc: Doc, key: str, low: str, high: str) -> tuple[str, str]:
    """A value from the mean with its sign, and the half width of its limits, to the same place."""
    values = doc["values"]
    value = values[key]["value"] - (0.0 if key == "departure" else values["centre"]["value"])
    near, half = rounded(value, 0.5 * (values[high]["value"] - values[low]["value"]))
    sign = "+" if float(near) > 0.0 else ""
    return sign + near.replace("-", MINUS), half
