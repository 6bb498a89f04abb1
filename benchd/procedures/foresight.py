"""Where a bench would stand after each step, and how long the step would take: arithmetic, nothing moves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from itertools import pairwise, permutations
from statistics import fmean
from typing import Any, Self

from benchd.bench.clearance import check_way_to_switch, rear_question, to_be_seen_um
from benchd.bench.sweeper import DEFAULT_LP_MM
from benchd.errors import Refused
from benchd.procedures.arguments import Ask, Home, Move, Setup, Sweep
from benchd.procedures.bench_figures import BenchFigures, Whereabouts
from benchd.procedures.entry_text import light_text, said
from benchd.procedures.plan import Entry
from benchd.procedures.room_to_move import as_said, not_homed, reach, too_near, unsaid, would_be_refused
from benchd.procedures.steps import Step
from benchd.procedures.sweep_places import SweepPlaces, sweep_places

ASSUMED_HALF_WIDTH_UM = 50.0
"""Half-width of the curve where the f-number is not known: f/2.8 at 40 lp/mm (0.705 N/nu)."""


@dataclass(frozen=True, slots=True)
class RearAsk:
    """What a person has to make sure of: lens, glass and target stay clear of each other down to this depth (um)."""

    text: str
    depth_um: float


class Foresight:
    """Carriage place, homing and set-up as they would be. `take` a step, its values put in, and get its entry."""

    def __init__(self, bench: BenchFigures) -> None:
        self.bench = bench
        self.carriage_um = bench.carriage_um
        self.homed = bench.homed
        self.rear_seen = dict(bench.rear_seen)
        self.changes: dict[str, Any] = {}
        self.where: Whereabouts | None = None

    def copy(self) -> Self:
        """The same state, to go another way from here."""
        twin = copy(self)
        twin.changes = dict(self.changes)
        twin.rear_seen = dict(self.rear_seen)
        return twin

    def take(self, step: Step) -> Entry:  # noqa: PLR0911  one return for each kind of step
        """What the step would do; the state moves on."""
        args: Any = step.args
        match step.verb:
            case "home":
                return self._home(args)
            case "setup":
                return self._setup(args)
            case "ask":
                return _ask(args)
            case "nominal":
                return self._nominal()
            case "move":
                return self._move(args)
            case "sweep":
                return self._sweep(args)
            case "light":
                return Entry("light", light_text(args), args.for_s or 0.0)
            case "camera":
                return Entry("camera", ", ".join(f"{key} {value}" for key, value in args.given().items()))
            case "read":
                return Entry("read", f"{args.device} as {args.as_}", self.bench.reading_s)
            case "assess":
                return Entry("assess", args.name + (f" of {args.of}" if args.of else ""), self.bench.assess_s)
            case "wait":
                return Entry("wait", f"{args.for_s:g} s", args.for_s)
            case "accept":
                return Entry("accept", f"{args.finding}, {f'{args.days} days' if args.days else 'without end'}")
        raise AssertionError(step.verb)

    def rear(self, step: Step) -> RearAsk | None:
        """What would be asked before the step, of the set-up as it makes it, if its lens's rear is in no record.

        The answer counts for that set-up, as far as the carriage goes in this step and in a sweep about nominal: that
        mostly follows, and nobody likes to be asked twice.
        """
        twin = self.copy()
        entry = twin.take(step)
        where = twin._places()
        if where is None or where.limit.question is None or entry.problem is not None:
            return None
        if step.verb == "home" and entry.to_um is not None:
            low = self.bench.home_um
        elif entry.reach_um is not None:
            low = entry.reach_um[0]
        else:
            return None
        if where.depth_um(low) >= self.rear_seen.get(where.parts, math.inf):
            return None
        if where.nominal_um is not None:
            low = min(low, reach(self.bench, where, where.nominal_um, twin._sweep_places(where).farthest_um)[0])
        depth_um = to_be_seen_um(where.depth_um(low))
        self.rear_seen[where.parts] = depth_um
        down = f"The carriage may go down to {where.place_um(depth_um):.0f} µm on its scale"
        way = ", on the way to its switch." if step.verb == "home" else "."
        return RearAsk(f"{rear_question(where.limit, depth_um)} {down}{way}", depth_um)

    def _home(self, args: Home) -> Entry:
        if args.only_if_unhomed and self.homed:
            return Entry("home", "nothing to do, it is homed")
        assert isinstance(args.axes, tuple)
        axes = ", ".join(str(axis) for axis in args.axes)
        before = self.carriage_um
        problem = too_near(self._places(), "home", self.bench.home_um, check_way_to_switch)
        if problem is None:
            self.homed, self.carriage_um = True, self.bench.travel_um[0]
        return Entry("home", axes, self.bench.home_s, 0.0, (), before, self.bench.travel_um[0], problem=problem)

    def _setup(self, args: Setup) -> Entry:
        stated = args.changes()
        text = ", ".join(f"{key} {said(value)}" for key, value in stated.items()) or "nothing changes"
        self.changes |= stated
        try:
            self.where = self.bench.where(self.changes)
        except Refused as refused:
            self.where = None
            return Entry("setup", text, problem=as_said("setup", refused))
        self.rear_seen = {parts: seen for parts, seen in self.rear_seen.items() if parts == self.where.parts}
        if args.follow is not True:
            stays = too_near(self.where, "setup", self.carriage_um) if self.homed else None
            return Entry("setup", text, problem=stays)
        return self._to_nominal("setup", f"{text}; the carriage follows")

    def _nominal(self) -> Entry:
        return self._to_nominal("nominal", "where the chain says")

    def _to_nominal(self, verb: str, text: str) -> Entry:
        where = self._places()
        if where is None or where.nominal_um is None:
            return Entry(verb, text, problem=unsaid(f"{verb}: the set-up does not say where nominal is"))
        return self._drive(verb, text, where.nominal_um)

    def _move(self, args: Move) -> Entry:
        stated = {key: value for key, value in args.given().items() if key != "axis"}
        ((key, value),) = stated.items()
        text = f"{args.axis} {key} {value:g}"
        if args.axis != "carriage":
            return Entry("move", text)
        where = self._places()
        if key == "carriage_um":
            return self._drive("move", text, value)
        if key == "by_um":
            return self._drive("move", text, self.carriage_um + value)
        if key == "depth_um" and where is not None:
            return self._drive("move", text, where.place_um(value))
        if key == "offset_um" and where is not None and (place := where.place_of_offset_um(value)) is not None:
            return self._drive("move", text, place)
        return Entry("move", text, problem=unsaid(f"move: the set-up does not say where {key} {value:g} is"))

    def _sweep(self, args: Sweep) -> Entry:
        where = self._places()
        places = self._sweep_places(where, args)
        assert isinstance(args.repeats, int)
        points, span, search = args.repeats * places.points, places.span_um, places.look
        here: float | None = self.carriage_um
        if where is not None and args.about != "here":
            here = where.place_of_offset_um(args.about) if isinstance(args.about, float) else where.nominal_um
        text = f"{points} points over about {span:.0f} µm, merit {args.merit}"
        if not self.homed:
            return Entry("sweep", text, problem=not_homed("sweep"))
        if here is None:
            return Entry("sweep", text, problem=unsaid("sweep: the set-up does not say where nominal is"))
        looking = self._looking_s(search)
        seconds = self.bench.approach_s(self.carriage_um, here) + self.bench.approach_s(here, here + search[0])
        seconds += looking + points * (self._shuffled_s(places.stations) + self.bench.point_s)
        more = places.more_looks * looking + self._looking_s(places.wide)
        before, self.carriage_um = self.carriage_um, here
        look, over = (here + search[0], here + search[-1]), (here - span / 2, here + span / 2)
        low, high = reach(self.bench, where, here, places.farthest_um)
        text += f", after a look with {len(search)} from {look[0]:.0f} to {look[1]:.0f} µm"
        text += f"; it may look as far as {low:.0f} to {high:.0f} µm if focus is not there"
        refusals = (would_be_refused(self.bench, where, "sweep", place) for place in (*over, *look))
        problem = next((one for one in refusals if one is not None), None)
        return Entry("sweep", text, seconds, more, (), before, here, look, over, (low, high), problem=problem)

    def _looking_s(self, offsets: Sequence[float]) -> float:
        """A picture at each place in its turn, once the carriage is at the first."""
        ways = sum(self.bench.approach_s(one, other) for one, other in pairwise(offsets))
        return ways + len(offsets) * self.bench.point_s

    def _shuffled_s(self, offsets: Sequence[float]) -> float:
        """The way from one place to another, on average over all orders of them."""
        return fmean(self.bench.approach_s(one, other) for one, other in permutations(offsets, 2))

    def _sweep_places(self, where: Whereabouts | None, args: Sweep | None = None) -> SweepPlaces:
        half_width = (where.half_width_um if where else None) or ASSUMED_HALF_WIDTH_UM
        span, step, lp_mm = (getattr(args, name, None) for name in ("span_um", "step_um", "lp_mm"))
        return sweep_places(half_width * DEFAULT_LP_MM / (lp_mm or DEFAULT_LP_MM), span, step)

    def _drive(self, verb: str, text: str, to_um: float) -> Entry:
        before, where = self.carriage_um, self._places()
        problem = would_be_refused(self.bench, where, verb, to_um) if self.homed else not_homed(verb)
        if problem is None:
            self.carriage_um = to_um
        ends = reach(self.bench, where, to_um)
        turn = next((end for end in ends if not min(before, to_um) <= end <= max(before, to_um)), None)
        if turn is not None and problem is None:
            text += f", by way of {turn:.0f} µm"
        seconds = self.bench.approach_s(before, to_um)
        return Entry(verb, text, seconds, 0.0, (), before, to_um, reach_um=ends, problem=problem)

    def _places(self) -> Whereabouts | None:
        if self.where is None:
            try:
                self.where = self.bench.where(self.changes)
            except Refused:
                return None
        return self.where


def _ask(args: Ask) -> Entry:
    choices = f" [{' / '.join(args.choices)}]" if args.choices else ""
    return Entry("ask", args.kind, ask=args.prompt + choices)
