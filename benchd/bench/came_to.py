"""What a change of the set-up came to: what was set, what went with it and why, and where nominal is now."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from benchd.bench.chain import Chain
from benchd.bench.setup import CLEARED_WITH, SETTABLE, SetupDocument


def came_to(
    before: SetupDocument, then: Chain, after: SetupDocument, now: Chain, stated: Collection[str]
) -> dict[str, Any]:
    """As answered to `setup`: rev, set, dropped, carried, nominal_carriage_um, moved_um, absolute, why_relative.

    `stated` are the keys that the change named: what it did not name and is gone all the same was dropped, what is
    another value was carried over to where the target stands now. Places are
    null without a lens, and so is `absolute`; `moved_um` also where nominal was nowhere before.
    """
    old, new = (one.model_dump(mode="json", include=set(SETTABLE)) for one in (before, after))
    changed = [key for key in SETTABLE if old[key] != new[key]]
    unasked = [key for key in changed if key not in stated]
    moved = None if then.carriage_um is None or now.carriage_um is None else now.carriage_um - then.carriage_um
    return {
        "rev": after.rev,
        "set": {key: new[key] for key in changed if key in stated},
        "dropped": [
            {"key": key, "was": old[key], "why": _why(key, changed, old)} for key in unasked if new[key] is None
        ],
        "carried": [{"key": key, "was": old[key], "now": new[key]} for key in unasked if new[key] is not None],
        "nominal_carriage_um": _rounded(now.carriage_um),
        "moved_um": _rounded(moved),
        "absolute": None if now.carriage_um is None else now.absolute,
        "why_relative": [] if now.carriage_um is None else list(now.why_relative),
    }


def _why(key: str, changed: Collection[str], old: dict[str, Any]) -> str:
    """What it was stated of, which is another one now."""
    if key == "distance_mm":
        return "it is counted from the target, and without a lens nobody knows where that stood"
    cause = next(cause for cause, described in CLEARED_WITH.items() if key in described and cause in changed)
    was = old[cause]
    if cause == "distance_mm":
        return "it was measured without a distance" if was is None else f"it was measured at {was:g} mm"
    return "it was stated without a lens" if was is None else f"it was stated of lens {was}"


def _rounded(place_um: float | None) -> float | None:
    return None if place_um is None else round(place_um, 1)
