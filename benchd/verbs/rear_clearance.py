"""The question to a person, before a step that moves, about a lens whose rear clearance is in no record."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from benchd.bench.datum.clearance import depth_to_confirm_um, rear_question
from benchd.verbs.foreseen import OpenArgs, joined_by_and
from benchd.verbs.predicted_bench import PLACE, PredictedBench
from benchd.verbs.predicted_sweep import sweep_places_for
from benchd.verbs.reach import reach
from benchd.verbs.verb import Verb


@dataclass(frozen=True, slots=True)
class RearQuestion:
    """Asks a person to make sure that lens, glass and target stay clear of each other down to `depth_um`."""

    text: str
    depth_um: float


def rear_question_before(
    predicted: PredictedBench, verb: Verb[Any], args: Any, open_args: OpenArgs | None = None
) -> RearQuestion | None:
    """The question before the step, for the set-up that the step makes, if its lens's rear is in no record; else None.

    The answer counts for that set-up, as far as the carriage goes in this step and in a sweep about nominal: that
    usually follows, and people do not like to be asked twice.
    """
    ahead = predicted.copy()
    entry = verb.foresee(args, ahead, open_args)
    where = ahead.set_up.places
    if where is None or where.limit.question is None or not ahead.drives:
        return None
    low = verb.lowest_um(entry, predicted.view)
    if low is None or where.places.depth_um(low) >= predicted.rear_confirmed_um.get(where.parts, math.inf):
        return None
    if where.nominal_um is not None:
        far = sweep_places_for(where).farthest_um
        low = min(low, reach(predicted.view, where, where.shifted_um(where.nominal_um, -far), where.nominal_um)[0])
    depth_um = depth_to_confirm_um(where.places.depth_um(low))
    predicted.rear_confirmed_um[where.parts] = depth_um
    down, lowest = "", where.places.lowest_um(depth_um)
    if math.isfinite(lowest):
        down = f" The carriage may go down to {lowest:.0f} µm on its scale{verb.on_the_way}."
    return RearQuestion(f"{rear_question(where.limit, depth_um)}{down}", depth_um)


def rear_question_depends_on(
    predicted: PredictedBench, verb: Verb[Any], args: Any, open_args: OpenArgs | None = None
) -> str | None:
    """What it depends on whether, or how, the question is put before the step; None if that is known.

    Once announced in the plan (`rear_question_announced`) it is not announced again for that set-up.
    """
    ahead = predicted.copy()
    entry = verb.foresee(args, ahead, open_args)
    if not ahead.drives or ahead.set_up.bare or ahead.rear_question_announced:
        return None
    why, where = ahead.set_up.why, ahead.set_up.places
    if not why and where is not None and where.limit.question is not None and entry.to_um is None:
        why = ahead.state.why(PLACE)
    return joined_by_and(why) if why else None
