"""The state of a bench predicted after some steps: arithmetic, nothing moves.

A value that depends on an open answer is unknown, and so is all that follows from it, until a step makes it known
again. A step that would not be refused implies that the carriage was homed.
"""

from __future__ import annotations

from copy import copy
from typing import Self

from benchd.bench.datum.current_setup import not_driven
from benchd.bench.motion.trust import not_homed
from benchd.bench.requests import nothing_nominal
from benchd.bench.wall_marks import marks_of
from benchd.devices.values import Approach
from benchd.verbs.entry import Entry, WouldBeRefused, conditional, may_proceed, most_certain
from benchd.verbs.foreseen import PredictedState, Why, joined_by_and
from benchd.verbs.predicted_glass import PredictedGlass
from benchd.verbs.predicted_setup import PredictedSetup
from benchd.verbs.reach import reach, would_be_refused
from benchd.verbs.turning import elsewhere, known_at_first
from benchd.verbs.view import BenchView

HOMED, STALE, PLACE = "homed", "stale", "carriage_um"
SWEPT, SWEPT_HERE = "swept", "swept_here"
"""Number of sweeps taken so far in the run, and at the present set-up; only a dry run counts them."""
KINDS, SEATED_BY = "kinds", "seated_by"
"""Of those sweeps the lenses, each with who seated it; and who seated the one that stands there."""
WITHOUT_M = "without_m"
"""Whether a sweep was taken with no m in the set-up, nor marks that would have told it."""
LAST_SWEEP = "last_sweep"
"""Merit and frequency of the last sweep at the present set-up: another pass of the same needs no search."""


class PredictedBench:
    """Predicted carriage position, homing and set-up; each verb updates them."""

    def __init__(self, view: BenchView) -> None:
        self.view = view
        self.state = PredictedState(
            {HOMED: view.homed, STALE: view.stale, PLACE: view.carriage_um, **known_at_first(view.rings)}
        )
        self._set_up: PredictedSetup | None = None  # made when first needed: most verbs involve no position
        self.rear_confirmed_um = dict(view.rear_confirmed_um)
        self.rear_question_announced = (
            False  # whether the plan already says that a rear question may come for this set-up
        )
        self.glass = PredictedGlass(view)
        self.drives = False  # whether the last step may move the carriage

    def copy(self) -> Self:
        """An independent copy, for another branch."""
        copied = copy(self)
        copied.state, copied._set_up, copied.rear_confirmed_um = (
            self.state.copy(),
            self.set_up.copy(),
            dict(self.rear_confirmed_um),
        )
        copied.glass = self.glass.copy()
        return copied

    def merge(self, other: PredictedBench, why: Why) -> None:
        """Merge two branches; which one is taken depends on `why`."""
        self.state.merge(other.state, why)
        self.set_up.merge(other.set_up, why)
        both = self.rear_confirmed_um.keys() & other.rear_confirmed_um.keys()
        self.rear_confirmed_um = {
            parts: max(self.rear_confirmed_um[parts], other.rear_confirmed_um[parts]) for parts in both
        }
        self.rear_question_announced = self.rear_question_announced and other.rear_question_announced
        self.glass.merge(other.glass)

    def knows_as_much_as(self, other: PredictedBench) -> bool:
        """Whether no less is known here than in `other`, of which this is a merge."""
        mine, theirs = (
            (
                bench.state.open,
                bench.set_up.values.open,
                bench.rear_confirmed_um,
                bench.rear_question_announced,
                bench.glass.known_state,
            )
            for bench in (self, other)
        )
        return mine == theirs

    def begin_run(self) -> None:
        """Count sweeps from zero: a run begins here."""
        self.state.mark_known(swept=0, swept_here=0, kinds=frozenset(), seated_by=None, without_m=False)

    def count_sweep(self, of: tuple[str, float | None]) -> bool:
        """Count one more sweep, of this merit and frequency; gives whether it is another pass of the last one."""
        again = bool(self.state.get(LAST_SWEEP) == of)
        self.state.mark_known(last_sweep=of)
        for name in (SWEPT, SWEPT_HERE):
            if (before := self.state.get(name)) is not None:
                self.state.mark_known(**{name: before + 1})
        self._count_kind()
        values, arrangement = self.set_up.values, self.view.arrangement
        by_marks = arrangement is not None and marks_of(arrangement) is not None
        if values.get("m") is None and not values.why("m") and not by_marks:
            self.state.mark_known(without_m=True)
        return again

    def _count_kind(self) -> None:
        kinds, why = self.state.get(KINDS), (*self.set_up.values.why("lens"), *self.state.why(SEATED_BY))
        if kinds is not None and why:
            self.state.mark_unknown(KINDS, why)
        elif kinds is not None:
            self.state.mark_known(kinds=kinds | {(self.set_up.values.get("lens"), self.state.get(SEATED_BY))})

    def count_setup_change(self, why: Why = ()) -> None:
        """Count sweeps of the set-up from zero: it has a new revision, or may have, depending on `why`."""
        before, open_by = self.state.get(SWEPT_HERE), self.state.why(SWEPT_HERE)
        if self.state.get(LAST_SWEEP):
            self.state.mark_known(last_sweep=None)
        if why and (before or open_by):
            self.state.mark_unknown(SWEPT_HERE, (*open_by, *why))
        elif before or open_by:
            self.state.mark_known(swept_here=0)

    @property
    def set_up(self) -> PredictedSetup:
        """The predicted set-up."""
        if self._set_up is None:
            self._set_up = PredictedSetup(self.view.where)
        return self._set_up

    @property
    def place_um(self) -> float | None:
        """Predicted carriage position; None if not known."""
        place: float | None = self.state.get(PLACE)
        return place

    def unhomed_refusal(self) -> WouldBeRefused | None:
        """Why a drive would be refused here for want of homing, certainly or possibly; None if homed."""
        if self.state.get(HOMED):
            return None
        return conditional(WouldBeRefused.certain(not_homed(self.view.not_homed_why)), self.state.why(HOMED))

    def stale_refusal(self) -> WouldBeRefused | None:
        """Why a sweep would be refused here for a stale position, or a ring that stands elsewhere than the set-up says,
        certainly or possibly; None if neither is so."""
        if self.state.get(STALE) is False:
            return elsewhere(self)
        return conditional(WouldBeRefused.certain(not_driven(self.view.rev)), self.state.why(STALE))

    def drive_to_nominal(self, verb: str, text: str) -> Entry:
        """A drive to nominal, as the chain gives it."""
        where = self.set_up.places
        if where is None and self.set_up.why:
            return self.drive_to_open_place(verb, text, self.set_up.why)
        if where is None or where.nominal_um is None:
            return Entry(verb, text, problem=WouldBeRefused.certain(nothing_nominal()))
        return self.drive(verb, text, where.nominal_um)

    def drive(self, verb: str, text: str, to_um: float, approach: Approach | None = None) -> Entry:
        """A drive to a known position, approached from a side if one is asked for."""
        before, where, view = self.place_um, self.set_up.places, self.view.approached(approach)
        problem = most_certain(self.unhomed_refusal(), would_be_refused(view, where, to_um))
        ends = reach(view, where, to_um, to_um)
        start = to_um if before is None else before
        turn = next((end for end in ends if not min(start, to_um) <= end <= max(start, to_um)), None)
        if turn is not None and before is not None and problem is None:
            text += f", by way of {turn:.0f} µm"
        if may_proceed(problem):
            self.arrived(to_um)
        seconds = view.approach_s(start, to_um)
        return Entry(verb, text, seconds, 0.0, (), before, to_um, reach_um=ends, problem=problem)

    def drive_to_open_place(self, verb: str, text: str, why: Why) -> Entry:
        """A drive to a position that depends on `why`."""
        problem = self.unhomed_refusal()
        if may_proceed(problem):
            self.arrived(None, why)
        return Entry(verb, f"{text}; where that is depends on {joined_by_and(why)}", problem=problem)

    def arrived(self, place_um: float | None, why: Why = ()) -> None:
        """Record a drive that was not refused; its end position is None if it depends on `why`."""
        self.drives = True
        self.state.mark_known(homed=True, stale=False)
        if place_um is None:
            self.state.mark_unknown(PLACE, why)
        else:
            self.state.mark_known(carriage_um=place_um)
