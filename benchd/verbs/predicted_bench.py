"""How a bench would stand after some steps: arithmetic, nothing moves.

What depends on an answer to come is not known, and neither is what rests on it, until a step makes it known again. A
step that went on without being refused tells that the carriage was homed.
"""

from __future__ import annotations

from copy import copy
from typing import Self

from benchd.bench.datum.current_setup import not_driven
from benchd.bench.motion.trust import not_homed
from benchd.bench.requests import nothing_nominal
from benchd.verbs.entry import Entry, WouldBeRefused, foremost, may_be, perhaps
from benchd.verbs.foreseen import Foreseen, Why, joined
from benchd.verbs.predicted_glass import PredictedGlass
from benchd.verbs.predicted_setup import PredictedSetup
from benchd.verbs.reach import reach, would_be_refused
from benchd.verbs.view import BenchView

HOMED, STALE, PLACE = "homed", "stale", "carriage_um"
SWEPT, SWEPT_HERE = "swept", "swept_here"
"""How many sweeps the run has taken by then, and how many at the set-up as it is; only a dry run counts them."""


class PredictedBench:
    """Carriage place, homing and set-up as they would be; verbs move them on."""

    def __init__(self, view: BenchView) -> None:
        self.view = view
        self.state = Foreseen({HOMED: view.homed, STALE: view.stale, PLACE: view.carriage_um})
        self._set_up: PredictedSetup | None = None  # not worked out for what is asked of no place
        self.rear_seen = dict(view.rear_seen)
        self.rear_told = False  # that somebody may be asked about a rear, of the set-up as it is
        self.glass = PredictedGlass(view)
        self.drives = False  # whether the last step may move the carriage

    def copy(self) -> Self:
        """The same state, to go another way from here."""
        twin = copy(self)
        twin.state, twin._set_up, twin.rear_seen = self.state.copy(), self.set_up.copy(), dict(self.rear_seen)
        twin.glass = self.glass.copy()
        return twin

    def merge(self, other: PredictedBench, why: Why) -> None:
        """Whichever of the two ways was gone to here, which depends on `why`."""
        self.state.merge(other.state, why)
        self.set_up.merge(other.set_up, why)
        both = self.rear_seen.keys() & other.rear_seen.keys()
        self.rear_seen = {parts: max(self.rear_seen[parts], other.rear_seen[parts]) for parts in both}
        self.rear_told = self.rear_told and other.rear_told
        self.glass.merge(other.glass)

    def knows_as_much_as(self, other: PredictedBench) -> bool:
        """Whether no less is known here than there, where the ways met."""
        mine, theirs = (
            (one.state.open, one.set_up.values.open, one.rear_seen, one.rear_told, one.glass.told)
            for one in (self, other)
        )
        return mine == theirs

    def begins(self) -> None:
        """A run begins here."""
        self.state.know(swept=0, swept_here=0)

    def swept(self) -> None:
        """A sweep was taken."""
        for name in (SWEPT, SWEPT_HERE):
            if (before := self.state.get(name)) is not None:
                self.state.know(**{name: before + 1})

    def another_set_up(self, why: Why = ()) -> None:
        """The set-up has another revision; with `why`, whether it has depends on that."""
        before, open_by = self.state.get(SWEPT_HERE), self.state.why(SWEPT_HERE)
        if why and (before or open_by):
            self.state.mark_unknown(SWEPT_HERE, (*open_by, *why))
        elif before or open_by:
            self.state.know(swept_here=0)

    @property
    def set_up(self) -> PredictedSetup:
        """What will stand on the bench."""
        if self._set_up is None:
            self._set_up = PredictedSetup(self.view.where)
        return self._set_up

    @property
    def place_um(self) -> float | None:
        """Where the carriage stands; None where that is not known."""
        place: float | None = self.state.get(PLACE)
        return place

    def unhomed_refusal(self) -> WouldBeRefused | None:
        """What is said of a drive here, on a position that is not trusted, or may not be."""
        if self.state.get(HOMED):
            return None
        return perhaps(WouldBeRefused.of(not_homed(self.view.not_homed_why)), self.state.why(HOMED))

    def stale_refusal(self) -> WouldBeRefused | None:
        """What is said of a sweep here, where the carriage was not driven by the set-up as it is, or may not have."""
        if self.state.get(STALE) is False:
            return None
        return perhaps(WouldBeRefused.of(not_driven(self.view.rev)), self.state.why(STALE))

    def to_nominal(self, verb: str, text: str) -> Entry:
        """A drive to where the chain says."""
        where = self.set_up.places
        if where is None and self.set_up.why:
            return self.somewhere(verb, text, self.set_up.why)
        if where is None or where.nominal_um is None:
            return Entry(verb, text, problem=WouldBeRefused.of(nothing_nominal()))
        return self.drive(verb, text, where.nominal_um)

    def drive(self, verb: str, text: str, to_um: float) -> Entry:
        """A drive to a place."""
        before, where = self.place_um, self.set_up.places
        problem = foremost(self.unhomed_refusal(), would_be_refused(self.view, where, to_um))
        ends = reach(self.view, where, to_um, to_um)
        start = to_um if before is None else before
        turn = next((end for end in ends if not min(start, to_um) <= end <= max(start, to_um)), None)
        if turn is not None and before is not None and problem is None:
            text += f", by way of {turn:.0f} µm"
        if may_be(problem):
            self.arrived(to_um)
        seconds = self.view.approach_s(start, to_um)
        return Entry(verb, text, seconds, 0.0, (), before, to_um, reach_um=ends, problem=problem)

    def somewhere(self, verb: str, text: str, why: Why) -> Entry:
        """A drive to a place that is not known yet."""
        problem = self.unhomed_refusal()
        if may_be(problem):
            self.arrived(None, why)
        return Entry(verb, f"{text}; where that is depends on {joined(why)}", problem=problem)

    def arrived(self, place_um: float | None, why: Why = ()) -> None:
        """A drive that was not refused has come to its place, None where that depends on something."""
        self.drives = True
        self.state.know(homed=True, stale=False)
        if place_um is None:
            self.state.mark_unknown(PLACE, why)
        else:
            self.state.know(carriage_um=place_um)
