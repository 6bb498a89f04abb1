"""Whether the bench would refuse to go to a position, and how far its path there reaches."""

from __future__ import annotations

import math
from collections.abc import Callable

from benchd.bench.datum.clearance import Clearance, check_clearance
from benchd.bench.motion.figures import check_limits
from benchd.errors import Refused
from benchd.verbs.entry import WouldBeRefused
from benchd.verbs.view import BenchView, SetupPlaces


def would_be_refused(bench: BenchView, where: SetupPlaces | None, to_um: float) -> WouldBeRefused | None:
    """Why the bench would not go there: travel limits of the position, clearance of the path with its run-up."""
    try:
        check_limits(to_um, bench.travel_um, None if where is None else where.places)
    except Refused as refused:
        return WouldBeRefused.certain(refused)
    return too_near(where, to_um + min(bench.run_up_um, 0.0), asked=bench.asks_of_rear)


def too_near(
    where: SetupPlaces | None,
    place_um: float,
    check: Callable[[Clearance, float], None] = check_clearance,
    *,
    asked: bool = True,
) -> WouldBeRefused | None:
    """Why the carriage may not be there; if the records leave clearance open, only when nobody is `asked` about it."""
    if where is not None and (where.limit.question is None or not asked):
        try:
            check(where.limit, where.places.depth_um(place_um))
        except Refused as refused:
            return WouldBeRefused.certain(refused)
    return None


def reach(bench: BenchView, where: SetupPlaces | None, from_um: float, to_um: float) -> tuple[float, float]:
    """Lowest and highest position on the way to any between two, within travel and clearance.

    The travel limits apply to target positions; the run-up may exceed them, as the motor can turn beyond.
    """
    low, high = bench.travel_um
    lowest = max(from_um, low) + min(bench.run_up_um, 0.0)
    highest = min(to_um, high) + max(bench.run_up_um, 0.0)
    if where is not None and where.limit.question is None and where.limit.least_depth_um is not None:
        least = where.places.lowest_um(where.limit.least_depth_um)
        lowest = max(lowest, least) if math.isfinite(least) else lowest  # a fixed target too near is refused elsewhere
    return lowest, highest
