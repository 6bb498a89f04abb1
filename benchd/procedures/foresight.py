"""Where a bench would stand after each step, and how long the step would take: arithmetic, nothing moves."""

from __future__ import annotations

from copy import copy
from typing import Any, Self

from benchd.assessments.stations import SPAN_HWHM, STEP_HWHM, pilot
from benchd.errors import Refused
from benchd.procedures.arguments import Ask, Home, Light, Move, Setup, Sweep
from benchd.procedures.bench_figures import BenchFigures, Whereabouts
from benchd.procedures.plan import Entry
from benchd.procedures.steps import Step

ASSUMED_HALF_WIDTH_UM = 50.0
"""Half-width of the curve where the f-number is not known: f/2.8 at 40 lp/mm (0.705 N/nu)."""

SHUFFLED_PART = 1.0 / 3.0
"""Mean distance of two places drawn at random from a span, as part of it."""


class Foresight:
    """Carriage place, homing and set-up as they would be. `take` a step, its values put in, and get its entry."""

    def __init__(self, bench: BenchFigures) -> None:
        self.bench = bench
        self.carriage_um = bench.carriage_um
        self.homed = bench.homed
        self.changes: dict[str, Any] = {}
        self.where: Whereabouts | None = None

    def copy(self) -> Self:
        """The same state, to go another way from here."""
        twin = copy(self)
        twin.changes = dict(self.changes)
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
                return Entry("light", _light(args), args.for_s or 0.0)
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

    def _home(self, args: Home) -> Entry:
        if args.only_if_unhomed and self.homed:
            return Entry("home", "nothing to do, it is homed")
        before, self.homed = self.carriage_um, True
        self.carriage_um = max(self.bench.travel_um[0], 0.0)
        assert isinstance(args.axes, tuple)
        axes = ", ".join(str(axis) for axis in args.axes)
        return Entry("home", axes, self.bench.home_s, (), before, self.carriage_um)

    def _setup(self, args: Setup) -> Entry:
        stated = args.given()
        follow = stated.pop("follow", False)
        text = ", ".join(f"{key} {_said(value)}" for key, value in stated.items()) or "nothing changes"
        self.changes |= stated
        try:
            self.where = self.bench.where(self.changes)
        except Refused as refused:
            self.where = None
            return Entry("setup", text, problem=f"setup: {refused.text}")
        if not follow:
            return Entry("setup", text)
        return self._to_nominal("setup", f"{text}; the carriage follows")

    def _nominal(self) -> Entry:
        return self._to_nominal("nominal", "where the chain says")

    def _to_nominal(self, verb: str, text: str) -> Entry:
        where = self._places()
        if where is None or where.nominal_um is None:
            return Entry(verb, text, problem=f"{verb}: the set-up does not say where nominal is")
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
            return self._drive("move", text, value - where.depth_zero_um)
        if key == "offset_um" and where is not None and where.nominal_um is not None:
            return self._drive("move", text, where.nominal_um + value)
        return Entry("move", text, problem=f"move: the set-up does not say where {key} {value:g} is")

    def _sweep(self, args: Sweep) -> Entry:
        where = self._places()
        half_width = (where.half_width_um if where else None) or ASSUMED_HALF_WIDTH_UM
        span = args.span_um if isinstance(args.span_um, float) else 2.0 * SPAN_HWHM * half_width
        step = args.step_um if isinstance(args.step_um, float) else STEP_HWHM * half_width
        assert isinstance(args.repeats, int)
        points = args.repeats * (round(span / step) + 1)
        search = pilot(0.0, half_width)
        here = self.carriage_um if args.about == "here" or where is None else where.nominal_um
        text = f"{points} points over about {span:.0f} µm, merit {args.merit}"
        if not self.homed or here is None:
            why = "not homed" if not self.homed else "the set-up does not say where nominal is"
            return Entry("sweep", text, problem=f"sweep: {why}")
        seconds = self.bench.move_s(here - self.carriage_um)
        seconds += len(search) * (self.bench.move_s(search[1] - search[0]) + self.bench.point_s)
        seconds += points * (self.bench.move_s(SHUFFLED_PART * span) + self.bench.point_s)
        before, self.carriage_um = self.carriage_um, here
        look, over = (here + search[0], here + search[-1]), (here - span / 2, here + span / 2)
        text += f", after a look with {len(search)} from {look[0]:.0f} to {look[1]:.0f} µm"
        problem = next((wrong for place in (*over, *look) if (wrong := self._outside("sweep", place))), None)
        return Entry("sweep", text, seconds, (), before, here, look, over, problem=problem)

    def _drive(self, verb: str, text: str, to_um: float) -> Entry:
        before = self.carriage_um
        problem = self._outside(verb, to_um) if self.homed else f"{verb}: the carriage is not homed"
        if problem is None:
            self.carriage_um = to_um
        return Entry(verb, text, self.bench.move_s(to_um - before), (), before, to_um, problem=problem)

    def _outside(self, verb: str, to_um: float) -> str | None:
        low, high = self.bench.travel_um
        if low <= to_um <= high:
            return None
        return f"{verb}: carriage {to_um:.0f} µm is outside its travel, {low:.0f} to {high:.0f} µm"

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


def _light(args: Light) -> str:
    (key,) = (key for key in ("level", "stops_by", "on") if getattr(args, key) is not None)
    return f"{args.light} {key} {_said(getattr(args, key))}"


def _said(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return " + ".join(_said(one) for one in value) or "none"
    if isinstance(value, dict):
        return ", ".join(f"{key} {_said(one)}" for key, one in value.items())
    return f"{value:g}" if isinstance(value, float) else str(value)
