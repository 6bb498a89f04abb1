"""Whether the bench would go to a place, and which places lie on its way there; what it would say if it would not."""

from __future__ import annotations

import math
from collections.abc import Callable

from benchd.bench.datum.clearance import Clearance, check_clearance
from benchd.bench.motion.figures import check_limits
from benchd.errors import Refused
from benchd.verbs.entry import WouldBeRefused
from benchd.verbs.view import BenchView, SetupPlaces


def would_be_refused(bench: BenchView, where: SetupPlaces | None, to_um: float) -> WouldBeRefused | None:
    """Why the bench would not go there: limits of the place, clearance of the way to it."""
    try:
        check_limits(to_um, bench.travel_um, None if where is None else where.places)
    except Refused as refused:
        return WouldBeRefused.of(refused)
    return too_near(where, to_um + min(bench.run_up_um, 0.0), asked=bench.asks_of_rear)


def too_near(
    where: SetupPlaces | None,
    place_um: float,
    check: Callable[[Clearance, float], None] = check_clearance,
    *,
    asked: bool = True,
) -> WouldBeRefused | None:
    """Why the carriage may not stand there; of what records leave open only where nobody is `asked` any more."""
    if where is not None and (where.limit.question is None or not asked):
        try:
            check(where.limit, where.places.depth_um(place_um))
        except Refused as refused:
            return WouldBeRefused.of(refused)
    return None


def reach(bench: BenchView, where: SetupPlaces | None, from_um: float, to_um: float) -> tuple[float, float]:
    """Lowest and highest place on the way to those between two, as far as travel and clearance let it.

    The travel holds for where the carriage is to stand; the run-up may leave it, as the motor turns beyond.
    """
    low, high = bench.travel_um
    lowest = max(from_um, low) + min(bench.run_up_um, 0.0)
    highest = min(to_um, high) + max(bench.run_up_um, 0.0)
    if where is not None and where.limit.question is None and where.limit.least_depth_um is not None:
        least = where.places.lowest_um(where.limit.least_depth_um)
        lowest = max(lowest, least) if math.isfinite(least) else lowest  # of a target that stands too near it is told
    return lowest, highest
