"""What a person is asked about a lens's rear that is in no record, before a step that moves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from benchd.bench.datum.clearance import rear_question, to_be_seen_um
from benchd.verbs.foreseen import Open, joined
from benchd.verbs.predicted_bench import PLACE, PredictedBench
from benchd.verbs.predicted_sweep import places_of
from benchd.verbs.reach import reach
from benchd.verbs.verb import Verb


@dataclass(frozen=True, slots=True)
class RearQuestion:
    """What a person has to make sure of: lens, glass and target stay clear of each other down to this depth (um)."""

    text: str
    depth_um: float


def rear_asked(
    predicted: PredictedBench, verb: Verb[Any], args: Any, opened: Open | None = None
) -> RearQuestion | None:
    """What would be asked before the step, of the set-up as it makes it, if its lens's rear is in no record.

    The answer counts for that set-up, as far as the carriage goes in this step and in a sweep about nominal: that
    mostly follows, and nobody likes to be asked twice.
    """
    twin = predicted.copy()
    entry = verb.foresee(args, twin, opened)
    where = twin.set_up.places
    if where is None or where.limit.question is None or not twin.drives:
        return None
    low = verb.lowest_um(entry, predicted.view)
    if low is None or where.places.depth_um(low) >= predicted.rear_seen.get(where.parts, math.inf):
        return None
    if where.nominal_um is not None:
        far = places_of(where).farthest_um
        low = min(low, reach(predicted.view, where, where.beside_um(where.nominal_um, -far), where.nominal_um)[0])
    depth_um = to_be_seen_um(where.places.depth_um(low))
    predicted.rear_seen[where.parts] = depth_um
    down, lowest = "", where.places.lowest_um(depth_um)
    if math.isfinite(lowest):
        down = f" The carriage may go down to {lowest:.0f} µm on its scale{verb.on_the_way}."
    return RearQuestion(f"{rear_question(where.limit, depth_um)}{down}", depth_um)


def rear_perhaps(predicted: PredictedBench, verb: Verb[Any], args: Any, opened: Open | None = None) -> str | None:
    """On what it depends whether, or how, somebody is asked before the step; None where that is known.

    Once that was told (`rear_told`) it is not told again of that set-up.
    """
    twin = predicted.copy()
    entry = verb.foresee(args, twin, opened)
    if not twin.drives or twin.set_up.bare or twin.rear_told:
        return None
    why, where = twin.set_up.why, twin.set_up.places
    if not why and where is not None and where.limit.question is not None and entry.to_um is None:
        why = twin.state.why(PLACE)
    return joined(why) if why else None
