"""Where the carriage may be sent."""

from __future__ import annotations

from benchd.bench.arrangements.places import Places
from benchd.errors import Refused


def check_limits(carriage_um: float, limits_um: tuple[float, float], places: Places | None = None) -> None:
    """Raise Refused('limit') for a place outside the carriage's limits (um, lowest and highest).

    With the `places` of the set-up it is also told what offsets those come to, where that is another figure.
    """
    low, high = limits_um
    if not low <= carriage_um <= high:
        reached = places.reached(low, high) if places is not None else ""
        raise Refused(
            "limit",
            f"{carriage_um:.1f} µm is outside the carriage's limits, {low:.0f} to {high:.0f} µm{reached}.",
            advice="Ask for a place inside; where nominal is outside, check adapters and lens in the set-up.",
            data={"asked_um": carriage_um, "low_um": low, "high_um": high},
        )
