"""Where a bench would stand after each step, and how long the step would take: arithmetic, nothing moves.

What depends on an answer to come is not known, and neither is what rests on it, until a step makes it known again. A
step that went on without being refused tells that the carriage was homed.
"""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from dataclasses import replace
from typing import Any, Self

from benchd.bench.asked_for import no_lens
from benchd.bench.clearance import check_way_to_switch
from benchd.errors import Refused
from benchd.procedures.arguments import Home, Move, Setup, Sweep
from benchd.procedures.bench_figures import BenchFigures
from benchd.procedures.entry_text import still_entry
from benchd.procedures.foreseen import Foreseen, Why, joined
from benchd.procedures.glass_ahead import GlassAhead
from benchd.procedures.not_possible import not_possible
from benchd.procedures.plan import Entry, WouldBeRefused
from benchd.procedures.room_to_move import (
    as_said,
    foremost,
    not_driven,
    not_homed,
    perhaps,
    reach,
    too_near,
    unsaid,
    would_be_refused,
)
from benchd.procedures.set_up_ahead import SetUpAhead
from benchd.procedures.steps import Step
from benchd.procedures.sweep_ahead import SweepAhead
from benchd.procedures.values import said

HOMED, STALE, PLACE = "homed", "stale", "carriage_um"

Open = Mapping[str, Why]
"""Arguments of a step that answers to come will say, and on what each depends."""


class Foresight:
    """Carriage place, homing and set-up as they would be. `take` a step, its values put in, and get its entry."""

    def __init__(self, bench: BenchFigures) -> None:
        self.bench = bench
        self.state = Foreseen({HOMED: bench.homed, STALE: bench.stale, PLACE: bench.carriage_um})
        self.set_up = SetUpAhead(bench.where)
        self.rear_seen = dict(bench.rear_seen)
        self.rear_told = False  # that somebody may be asked about a rear, of the set-up as it is
        self.glass = GlassAhead(bench)
        self.drives = False  # whether the last step may move the carriage

    def copy(self) -> Self:
        """The same state, to go another way from here."""
        twin = copy(self)
        twin.state, twin.set_up, twin.rear_seen = self.state.copy(), self.set_up.copy(), dict(self.rear_seen)
        twin.glass = self.glass.copy()
        return twin

    def meet(self, other: Foresight, why: Why) -> None:
        """Whichever of the two ways was gone to here, which depends on `why`."""
        self.state.meet(other.state, why)
        self.set_up.meet(other.set_up, why)
        both = self.rear_seen.keys() & other.rear_seen.keys()
        self.rear_seen = {parts: max(self.rear_seen[parts], other.rear_seen[parts]) for parts in both}
        self.rear_told = self.rear_told and other.rear_told
        self.glass.meet(other.glass)

    def as_open_as(self, other: Foresight) -> bool:
        """Whether no less is known here than there, where the ways met."""
        mine, theirs = (
            (one.state.open, one.set_up.values.open, one.rear_seen, one.rear_told, one.glass.told)
            for one in (self, other)
        )
        return mine == theirs

    def take(self, step: Step, opened: Open) -> Entry:
        """What the step would do; the state moves on. What is `opened` is left out of it, but for a move's place."""
        self.drives = False
        refused = not_possible(step, self.bench, opened)
        if refused is not None:
            return Entry(step.verb, said(step.args.given()), problem=as_said(step.verb, refused))
        return self._taken(step, opened)

    def _taken(self, step: Step, opened: Open) -> Entry:
        args: Any = step.args
        match step.verb:
            case "home":
                return self._home(args, opened)
            case "setup":
                return self._setup(args, opened)
            case "nominal":
                return self._to_nominal("nominal", "where the chain says")
            case "move":
                return self._move(args, opened)
            case "sweep":
                return self._sweep(args, opened)
            case "accept":
                self.state.know(stale=True)  # the chain is another one
        return still_entry(step, self.bench, opened)

    def _home(self, args: Home, opened: Open) -> Entry:
        homed, why = self.state.get(HOMED), (*self.state.why(HOMED), *_all(opened))
        if args.only_if_unhomed is True and homed:
            return Entry("home", "nothing to do, it is homed")
        if homed is False or (args.only_if_unhomed is False and not opened):
            why = ()
        assert isinstance(args.axes, tuple)
        text = ", ".join(str(axis) for axis in args.axes)
        before, to_um = self.state.get(PLACE), self.bench.travel_um[0]
        problem = perhaps(too_near(self.set_up.places, "home", self.bench.home_um, check_way_to_switch), why)
        if _may_be(problem):
            unless = self.copy()
            self.drives = True
            self.state.know(stale=True, carriage_um=to_um)
            if why:
                self.meet(unless, why)
            self.state.know(homed=True)
        if not why:
            return Entry("home", text, self.bench.home_s, 0.0, (), before, to_um, problem=problem)
        text += f", if it is not homed by then; that depends on {joined(why)}"
        return Entry("home", text, 0.0, self.bench.home_s, (), before, to_um, problem=problem)

    def _setup(self, args: Setup, opened: Open) -> Entry:
        stated, open_keys = args.changes(), {key: why for key, why in opened.items() if key != "follow"}
        parts = [f"{key} {said(value)}" for key, value in stated.items()]
        parts += [f"{key} by {joined(why)}" for key, why in open_keys.items()]
        text = ", ".join(parts) or "nothing changes"
        before = self.set_up.why
        try:
            moves_nominal = self.set_up.change(stated, open_keys)
        except Refused as refused:
            return Entry("setup", text, problem=as_said("setup", refused))
        where = self.set_up.places
        self.rear_seen = {seen: um for seen, um in self.rear_seen.items() if where and seen == where.parts}
        self.rear_told = False
        if {"lens", "glass"} & {*stated, *open_keys}:
            self.glass.changed()
        if moves_nominal:
            self.state.know(stale=True)
        elif moves_nominal is None and self.state.get(STALE) is not True:
            self.state.lose(STALE, (*self.state.why(STALE), *before, *self.set_up.why))
        stays = self.copy()
        if args.follow is True:
            return self._to_nominal("setup", f"{text}; the carriage follows")
        if "follow" in opened:
            why = opened["follow"]
            entry = self._to_nominal("setup", f"{text}; whether the carriage follows depends on {joined(why)}")
            self.meet(stays, why)
            return replace(entry, problem=perhaps(entry.problem, why))
        here = self.state.get(PLACE)
        if here is None or self.state.get(HOMED) is False:
            return Entry("setup", text)
        return Entry("setup", text, problem=perhaps(too_near(where, "setup", here), self.state.why(HOMED)))

    def _to_nominal(self, verb: str, text: str) -> Entry:
        where = self.set_up.places
        if where is None and self.set_up.why:
            return self._somewhere(verb, text, self.set_up.why)
        if where is None or where.nominal_um is None:
            return Entry(verb, text, problem=unsaid(f"{verb}: the set-up does not say where nominal is"))
        return self._drive(verb, text, where.nominal_um)

    def _move(self, args: Move, opened: Open) -> Entry:
        ((key, value),) = ((key, value) for key, value in args.given().items() if key != "axis")
        text = f"{args.axis} {key} {said(value)}"
        if opened:
            return self._somewhere("move", text, _all(opened))
        where, here = self.set_up.places, self.state.get(PLACE)
        why = {"carriage_um": (), "by_um": self.state.why(PLACE)}.get(key, self.set_up.why)
        if why:
            return self._somewhere("move", text, why)
        to_um: float | None = {"carriage_um": value, "by_um": (here or 0.0) + value}.get(key)
        if to_um is None and where is not None:
            to_um = where.place_um(value) if key == "depth_um" else where.place_of_offset_um(value)
        if to_um is None:
            return Entry("move", text, problem=unsaid(f"move: the set-up does not say where {key} {value:g} is"))
        return self._drive("move", text, to_um)

    def _sweep(self, args: Sweep, opened: Open) -> Entry:
        where, from_um = self.set_up.places, self.state.get(PLACE)
        if where is not None and where.half_width_um is None:
            return Entry("sweep", f"merit {args.merit}", problem=as_said("sweep", no_lens()))
        try:
            sweep = SweepAhead(self.bench, where, args)
        except Refused as refused:
            return Entry("sweep", f"merit {args.merit}", problem=as_said("sweep", refused))
        unhomed = self._unhomed("sweep")
        why = (*_all(opened), *self.set_up.why, *(self.state.why(PLACE) if args.about == "here" else ()))
        here = from_um
        if where is not None and args.about != "here":
            here = where.place_of_offset_um(args.about) if isinstance(args.about, float) else where.nominal_um
        if not _may_be(unhomed):
            return Entry("sweep", sweep.text, problem=unhomed)
        if here is None and not why:
            return Entry("sweep", sweep.text, problem=unsaid("sweep: the set-up does not say where nominal is"))
        entry = sweep.somewhere(why) if why or here is None else sweep.about(here, from_um)
        undriven = None if self.state.get(STALE) is False else perhaps(not_driven("sweep"), self.state.why(STALE))
        problem = foremost(unhomed, undriven, entry.problem)
        if _may_be(problem):
            self._arrived(entry.to_um, why)
        elif here is not None:
            self.state.know(carriage_um=here)
        return replace(entry, problem=problem)

    def _drive(self, verb: str, text: str, to_um: float) -> Entry:
        before, where = self.state.get(PLACE), self.set_up.places
        problem = foremost(self._unhomed(verb), would_be_refused(self.bench, where, verb, to_um))
        ends = reach(self.bench, where, to_um)
        start = to_um if before is None else before
        turn = next((end for end in ends if not min(start, to_um) <= end <= max(start, to_um)), None)
        if turn is not None and before is not None and problem is None:
            text += f", by way of {turn:.0f} µm"
        if _may_be(problem):
            self._arrived(to_um)
        seconds = self.bench.approach_s(start, to_um)
        return Entry(verb, text, seconds, 0.0, (), before, to_um, reach_um=ends, problem=problem)

    def _somewhere(self, verb: str, text: str, why: Why) -> Entry:
        """A drive to a place that is not known yet."""
        problem = self._unhomed(verb)
        if _may_be(problem):
            self._arrived(None, why)
        return Entry(verb, f"{text}; where that is depends on {joined(why)}", problem=problem)

    def _unhomed(self, verb: str) -> WouldBeRefused | None:
        return None if self.state.get(HOMED) else perhaps(not_homed(verb), self.state.why(HOMED))

    def _arrived(self, place_um: float | None, why: Why = ()) -> None:
        """A drive that was not refused has come to its place, None where that depends on something."""
        self.drives = True
        self.state.know(homed=True, stale=False)
        if place_um is None:
            self.state.lose(PLACE, why)
        else:
            self.state.know(carriage_um=place_um)


def _all(opened: Open) -> Why:
    return tuple(dict.fromkeys(one for why in opened.values() for one in why))


def _may_be(problem: WouldBeRefused | None) -> bool:
    """Whether the step may be carried out all the same, with what it needs."""
    return problem is None or problem.depends is not None
