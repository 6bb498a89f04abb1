"""A procedure gone through without moving anything.

Loops are written out, both branches of a condition are shown, each under its condition. Times of a person are not
reckoned; what a person is asked is listed instead. What depends on an answer not yet given is said to, and so is what
depends on which branch was gone.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from benchd.errors import Refused
from benchd.procedures.bench_figures import BenchFigures, demand
from benchd.procedures.foreseen import Why, joined
from benchd.procedures.foresight import Foresight
from benchd.procedures.inputs import Input, kind_of, take_all
from benchd.procedures.language import Procedure
from benchd.procedures.plan import Entry, Plan
from benchd.procedures.rear_ahead import rear_ask, rear_perhaps
from benchd.procedures.scope import Facts, Scope, in_rounds, listed, resolve, times
from benchd.procedures.steps import AskStep, CallStep, ForStep, IfStep, RepeatStep, Step, SweepStep
from benchd.procedures.uses import references

MOST_ENTRIES = 5000

LESS_ARGUMENTS = frozenset({"home", "setup", "sweep"})
"""Steps of which something can be foreseen without those arguments that depend on an answer."""


def dry_run(
    procedure: Procedure,
    values: Mapping[str, Any],
    bench: BenchFigures,
    facts: Facts,
    library: Mapping[str, Procedure] | None = None,
) -> Plan:
    """The plan of a procedure with the inputs `values` (as of `take_all`), from the bench as it stands.

    Raises Refused where the bench lacks what is needed, a value may not stand, or the plan has no end in sight; a
    single move or change that would be refused is a problem of its entry.
    """
    demand(procedure, bench)
    walker = _Walker(bench, facts, library or {})
    walker.whole(procedure, values)
    return Plan(procedure.procedure, tuple(walker.entries), len(procedure.steps))


def _asks_of_glass(step: Step) -> bool:
    """Whether a run asks about glass that is not the lens's own here, if it has not yet: with a confirm, or a sweep."""
    return isinstance(step, SweepStep) or (isinstance(step, AskStep) and step.ask.kind == "confirm")


class _Walker:
    def __init__(self, bench: BenchFigures, facts: Facts, library: Mapping[str, Procedure]) -> None:
        self.bench, self.facts, self.library = bench, facts, library
        self.entries: list[Entry] = []
        self.ahead = Foresight(bench)
        self.top: int | None = None
        self.gone_through = 0
        self.hangs: Mapping[str, Why] = {}  # what names depend on that are no answers themselves

    def whole(self, procedure: Procedure, values: Mapping[str, Any]) -> None:
        scope = self._scope(procedure.inputs, values)
        for index, step in enumerate(procedure.steps):
            self.top = index
            self._step(step, scope, ())
        self.top = None
        self._steps(procedure.finally_, scope, ())

    def _scope(self, inputs: Mapping[str, Input], values: Mapping[str, Any]) -> Scope:
        return Scope(values, {name: kind_of(one) for name, one in inputs.items()}, self.facts)

    def _steps(self, steps: tuple[Step, ...], scope: Scope, when: tuple[str, ...]) -> None:
        for step in steps:
            self._step(step, scope, when)

    def _step(self, step: Step, scope: Scope, when: tuple[str, ...]) -> None:
        opened = self._opened(step, scope)
        why = tuple(one for whys in opened.values() for one in whys)
        if isinstance(step, IfStep):
            self._if(step, scope, when)
        elif isinstance(step, ForStep) and isinstance(step.for_.in_, tuple):
            for turn in self._turns(step, scope):
                self._steps(step.steps, turn, when)
        elif isinstance(step, RepeatStep | ForStep) and why:
            self._loop(step, scope, when, why)
        elif isinstance(step, ForStep):
            for turn in listed(step, scope):
                self._steps(step.steps, turn, when)
        elif isinstance(step, RepeatStep):
            for turn in in_rounds([scope] * times(step, scope)):
                self._steps(step.steps, turn, when)
        elif isinstance(step, CallStep):
            self._call(step, opened, scope, when)
        else:
            self._single(step, opened, scope, when)

    def _opened(self, step: Step, scope: Scope) -> dict[str, Why]:
        """The arguments (of a call: the inputs) that are not known yet, and on what they depend."""
        # Answers are never in the scope of a dry run: what a file names and is not there is an answer to come.
        opened: dict[str, Why] = {}
        for place, one in references(step):
            if one.name not in scope.values:
                key = str(place[2 if isinstance(step, CallStep) else 1]) if len(place) > 1 else step.verb
                opened[key] = (*opened.get(key, ()), *self.hangs.get(one.name, (f"the answer {one.name}",)))
        return opened

    def _single(self, step: Step, opened: Mapping[str, Why], scope: Scope, when: tuple[str, ...]) -> None:
        if not opened:
            step = resolve(step, scope)
        elif step.verb in LESS_ARGUMENTS:
            kept = {key: value for key, value in step.args.given().items() if key not in opened}
            step = resolve(type(step).model_validate_json(json.dumps({step.verb: kept}), strict=True), scope)
        about_glass = self.ahead.glass.now(self.ahead.set_up) if _asks_of_glass(step) else None
        if about_glass is not None and isinstance(step, SweepStep):
            text, if_so = about_glass
            self._add(Entry("ask", "glass_meant", ask=scope.prompt(text)), when if if_so is None else (*when, if_so))
        about_rear = rear_ask(self.ahead, step, opened)
        if about_rear is not None:
            self._add(Entry("ask", "rear_clear", ask=scope.prompt(about_rear.text)), when)
        perhaps = rear_perhaps(self.ahead, step, opened)
        if perhaps is not None:
            if_asked = "if the lens's record does not say how far it reaches back"
            ask = f"Have you made sure that the lens stays clear of glass and target? How far depends on {perhaps}."
            self._add(Entry("ask", "rear_clear", ask=ask), (*when, if_asked))
        entry = self.ahead.take(step, opened)
        if opened and entry.ask is not None:
            entry = replace(entry, ask=scope.prompt(entry.ask))  # where nothing is open it was put so with its values
        if about_glass is not None and entry.ask is not None:
            text, if_so = about_glass
            entry = replace(entry, ask=f"{text if if_so is None else f'[{if_so}: {text}]'} {entry.ask}")
        self._add(entry, when)
        self.ahead.rear_told |= perhaps is not None

    def _if(self, step: IfStep, scope: Scope, when: tuple[str, ...]) -> None:
        condition = step.if_
        before = self.ahead.copy()
        self._steps(step.then, scope, (*when, f"if {condition}"))
        held, self.ahead = self.ahead, before
        self._steps(step.else_, scope, (*when, f"if not {condition}"))
        subject = f"the answer {condition.answer}" if condition.answer else f"the finding {condition.finding}"
        self.ahead.meet(held, (subject,))

    def _turns(self, step: ForStep, scope: Scope) -> Iterator[Scope]:
        """One scope for each value written in the loop; without the value where that depends on an answer."""
        assert isinstance(step.for_.in_, tuple)
        of = len(step.for_.in_)
        for number, value in enumerate(step.for_.in_, 1):
            single = step.model_copy(update={"for_": step.for_.model_copy(update={"in_": (value,)})})
            opened = self._opened(single, scope)
            if opened:
                self.hangs = {**self.hangs, step.for_.each: opened["in"]}
                yield scope.in_round(number, of)
            else:
                (turn,) = listed(single, scope)
                yield replace(turn, rounds=(*scope.rounds, (number, of)))

    def _loop(self, step: RepeatStep | ForStep, scope: Scope, when: tuple[str, ...], why: Why) -> None:
        """Turns of which nobody knows yet how many: gone through until one more leaves nothing else open."""
        if isinstance(step, ForStep):
            self.hangs = {**self.hangs, step.for_.each: why}
        while True:
            before, entries = self.ahead.copy(), len(self.entries)
            self._steps(step.steps, scope, (*when, f"as often as {joined(why)} says"))
            self.ahead.meet(before, why)
            if self.ahead.as_open_as(before):
                return
            del self.entries[entries:]

    def _call(self, step: CallStep, opened: Mapping[str, Why], scope: Scope, when: tuple[str, ...]) -> None:
        called = self.library.get(step.call.procedure)
        if called is None:
            raise Refused("unknown_name", f"There is no procedure '{step.call.procedure}'.")
        demand(called, self.bench)
        given = {name: value for name, value in step.call.inputs.items() if name not in opened}
        known = step.model_copy(update={"call": step.call.model_copy(update={"inputs": given})})
        inputs = {name: one for name, one in called.inputs.items() if name not in opened}
        inside = self._scope(inputs, take_all(inputs, resolve(known, scope).args.inputs, None))
        inside = replace(inside, rounds=scope.rounds)
        outside, self.hangs = self.hangs, opened
        self._steps(called.steps, inside, when)
        self._steps(called.finally_, inside, when)
        self.hangs = outside

    def _add(self, entry: Entry, when: tuple[str, ...]) -> None:
        self.gone_through += 1
        if self.gone_through > MOST_ENTRIES:
            text = f"The procedure has more than {MOST_ENTRIES} steps, its loops written out."
            raise Refused("bad_request", text, advice="Lessen the repeats.")
        self.entries.append(replace(entry, when=when, step=self.top))
