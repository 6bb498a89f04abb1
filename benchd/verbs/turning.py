"""What turns, as far as it can be foreseen: homed or not, at which angle, and what a turn of it would come to."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from benchd.bench.motion.trust import not_homed
from benchd.bench.rings.angles import angles_for, not_turned, turned_rings
from benchd.bench.rings.turner import Turns
from benchd.errors import Refused
from benchd.verbs.entry import Entry, TurnEntry, WouldBeRefused, conditional, may_proceed, most_certain

if TYPE_CHECKING:
    from benchd.verbs.predicted_bench import PredictedBench


@dataclass(frozen=True, slots=True)
class RingView:
    """One axis that turns, in its present state; `here_deg` is where it stands, `placed_deg` where it was driven to."""

    turns: Turns
    homed: bool
    why: str | None
    here_deg: float | None
    placed_deg: float | None


def known_at_first(rings: Mapping[str, RingView]) -> dict[str, Any]:
    """What a prediction begins with."""
    known: dict[str, Any] = {}
    for role, ring in rings.items():
        known |= {_homed(role): ring.homed, _here(role): ring.here_deg, _placed(role): ring.placed_deg}
    return known


def _homed(role: str) -> str:
    return f"homed {role}"


def _here(role: str) -> str:
    return f"angle {role}"


def _placed(role: str) -> str:
    return f"driven {role}"


def home_ring(predicted: PredictedBench, role: str, *, only_if_unhomed: bool) -> float:
    """Home it in the prediction; the seconds that this takes."""
    if only_if_unhomed and predicted.state.get(_homed(role)):
        return 0.0
    predicted.state.mark_known(**{_homed(role): True, _here(role): None, _placed(role): None})
    ring = predicted.view.rings.get(role)
    return 0.0 if ring is None else ring.turns.home_s


def turn(predicted: PredictedBench, verb: str, text: str, role: str, to_deg: float) -> TurnEntry:
    """Turn it to an angle."""
    state, ring = predicted.state, predicted.view.rings.get(role)
    if ring is None:
        return TurnEntry(verb, text, to_deg=to_deg)
    unhomed = None
    if not state.get(_homed(role)):
        refused = WouldBeRefused.certain(not_homed(ring.why, role))
        unhomed = conditional(refused, state.why(_homed(role)))
    outside = None
    try:
        ring.turns.check(role, to_deg)
    except Refused as refused_for_limits:
        outside = WouldBeRefused.certain(refused_for_limits)
    problem = most_certain(unhomed, outside)
    here = state.get(_here(role))
    seconds = ring.turns.seconds(to_deg if here is None else here, to_deg)
    if may_proceed(problem):
        state.mark_known(**{_homed(role): True, _here(role): to_deg, _placed(role): to_deg})
    return TurnEntry(verb, text, seconds, problem=problem, to_deg=to_deg)


def turn_by(predicted: PredictedBench, verb: str, text: str, role: str, by_deg: float) -> TurnEntry:
    """Turn it on from where it stands; absolute once it is known where that is."""
    here = predicted.state.get(_here(role))
    if here is None:
        predicted.state.mark_known(**{_here(role): None, _placed(role): None})
        ring = predicted.view.rings.get(role)
        unhomed = None if ring is None or predicted.state.get(_homed(role)) else not_homed(ring.why, role)
        return TurnEntry(verb, text, problem=None if unhomed is None else WouldBeRefused.certain(unhomed))
    return turn(predicted, verb, text, role, here + by_deg)


def and_rings(predicted: PredictedBench, drive: Callable[[], Entry]) -> Entry:
    """What a drive to where the set-up says comes to, with the rings that turn before it."""
    problem, seconds, text = None, 0.0, ""
    try:
        wanted = _wanted(predicted)
    except Refused as refused:
        wanted, problem = {}, WouldBeRefused.certain(refused)
    for role, angle_deg in wanted.items():
        if not _stands(predicted, role, angle_deg):
            one = turn(predicted, "", "", role, angle_deg)
            text, seconds = f"{text}; {role} turns to {angle_deg:.2f}°", seconds + one.seconds
            problem = most_certain(problem, one.problem)
    entry = drive()
    problem = most_certain(problem, entry.problem)
    return replace(entry, text=entry.text + text, seconds=entry.seconds + seconds, problem=problem)


def unknown_mark(predicted: PredictedBench, stated: Collection[str]) -> WouldBeRefused | None:
    """Why a set-up would be refused whose marks stand at no known angle; None where they do, or nothing turns them."""
    try:
        _wanted(predicted, stated)
    except Refused as refused:
        return WouldBeRefused.certain(refused)
    return None


def _wanted(predicted: PredictedBench, stated: Collection[str] | None = None) -> dict[str, float]:
    """The angles that the predicted set-up asks for; none where that is not known. Raises Refused."""
    values, view = predicted.set_up.values, predicted.view
    if not view.rings or view.records is None or values.why("lens", "ring", "f_number"):
        return {}
    lens, ring, f_number = (values.get(key) for key in ("lens", "ring", "f_number"))
    return angles_for(lens, ring, f_number, view.records, view.rings, stated=stated)


def turned(predicted: PredictedBench) -> Collection[str]:
    """The rings of the lens in the predicted set-up that axes turn; none where it is not known which lens that is."""
    values, view = predicted.set_up.values, predicted.view
    if view.records is None or values.why("lens", "ring"):
        return ()
    return turned_rings(values.get("lens"), values.get("ring"), view.records, view.rings)


def _stands(predicted: PredictedBench, role: str, angle_deg: float) -> bool:
    placed = predicted.state.get(_placed(role))
    near = predicted.view.rings[role].turns.tolerance_deg
    return bool(predicted.state.get(_homed(role))) and placed is not None and abs(placed - angle_deg) <= near


def elsewhere(predicted: PredictedBench) -> WouldBeRefused | None:
    """Why a sweep would be refused for a ring that does not stand where the set-up says; None where all do."""
    try:
        wanted = _wanted(predicted)
    except Refused as refused:
        return WouldBeRefused.certain(refused)
    for role, angle_deg in wanted.items():
        if not _stands(predicted, role, angle_deg):
            why = predicted.state.why(_homed(role), _placed(role))
            refusal = not_turned(role, angle_deg, predicted.state.get(_placed(role)))
            return conditional(WouldBeRefused.certain(refusal), why)
    return None
