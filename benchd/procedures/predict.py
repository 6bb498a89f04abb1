"""A procedure gone through without moving anything.

Loops are written out, both branches of a condition are shown, each under its condition. Times of a person are not
reckoned; what a person is asked is listed instead. What depends on an answer not yet given is said to, and so is what
depends on which branch was gone.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import Any

from benchd.errors import Refused
from benchd.procedures.arguments import Ask
from benchd.procedures.inputs import Known
from benchd.procedures.language import Procedure, demand
from benchd.procedures.plan import Plan
from benchd.procedures.scope import Facts, Scope, Turn, listed, resolve, times
from benchd.procedures.steps import AskStep, CallStep, ForStep, IfStep, RepeatStep, Step, references
from benchd.procedures.walker import Steps, Walker, scope_of
from benchd.verbs.entry import Entry, WouldBeRefused
from benchd.verbs.foreseen import Open, Why, all_of, joined
from benchd.verbs.predicted_bench import PredictedBench
from benchd.verbs.rear_clearance import rear_asked, rear_perhaps
from benchd.verbs.table import STEPS
from benchd.verbs.view import BenchView

MOST_ENTRIES = 5000


def dry_run(
    procedure: Procedure,
    values: Mapping[str, Any],
    bench: BenchView,
    facts: Facts,
    library: Mapping[str, Procedure] | None = None,
    known: Known | None = None,
) -> Plan:
    """The plan of a procedure with the inputs `values` (as of `take_all`), from the bench as it stands.

    Raises Refused where the bench lacks what is needed, a value may not stand, or the plan has no end in sight; a
    single move or change that would be refused is a problem of its entry.
    """
    demand(procedure, bench)
    back = DryBackEnd(bench)
    back.predicted.begins()
    walker = Walker(back, lambda name: _named(name, library or {}), facts, known)
    scope = scope_of(procedure.inputs, values, facts)
    _at_once(walker.top(procedure.steps, scope))
    back.top = None
    _at_once(walker.steps(procedure.finally_, scope))
    return Plan(procedure.procedure, tuple(back.entries), len(procedure.steps))


def _named(name: str, library: Mapping[str, Procedure]) -> Procedure:
    if name not in library:
        raise Refused("unknown_name", f"There is no procedure '{name}'.")
    return library[name]


def _as_the(around: Scope, number: int, of: int, turn: Turn) -> Scope:
    """One turn as the round that it is of all of them."""
    return replace(turn(around), rounds=(*around.rounds, (number, of)))


def _at_once(walk: Any) -> None:
    """Nothing that is only foreseen waits for anything."""
    try:
        walk.send(None)
    except StopIteration:
        return
    raise AssertionError("a prediction waited")


class DryBackEnd:
    """The back end that foresees: entries, and the bench as it would stand after them."""

    def __init__(self, view: BenchView) -> None:
        self._view = view
        self.entries: list[Entry] = []
        self.predicted = PredictedBench(view)
        self.top: int | None = None
        self._when: tuple[str, ...] = ()
        self._gone_through = 0
        self._hangs: Mapping[str, Why] = {}  # what names depend on that are no answers themselves

    async def view(self) -> BenchView:
        return self._view

    def at(self, top: int | None, step: Step, share: float) -> None:
        if top is not None:
            self.top = top

    def opened(self, step: Step, scope: Scope) -> Open:
        # Answers are never in the scope of a dry run: what a file names and is not there is an answer to come.
        opened: dict[str, Why] = {}
        for place, one in references(step):
            if one.name not in scope.values:
                key = str(place[2 if isinstance(step, CallStep) else 1]) if len(place) > 1 else step.verb
                opened[key] = (*opened.get(key, ()), *self._hangs.get(one.name, (f"the answer {one.name}",)))
        return opened

    def ways(self, step: IfStep, scope: Scope) -> Iterator[Steps]:
        condition, before, when = step.if_, self.predicted.copy(), self._when
        self._when = (*when, f"if {condition}")
        yield step.then
        held, self.predicted = self.predicted, before
        self._when = (*when, f"if not {condition}")
        yield step.else_
        self._when = when
        subject = f"the answer {condition.answer}" if condition.answer else f"the finding {condition.finding}"
        self.predicted.merge(held, (subject,))

    def turns(self, step: RepeatStep | ForStep, scope: Scope, opened: Open) -> Iterator[Turn]:
        if isinstance(step, ForStep) and isinstance(step.for_.in_, tuple):
            yield from self._over(step, scope)
        elif opened:
            yield from self._as_often_as(step, all_of(opened))
        elif isinstance(step, ForStep):
            yield from listed(step, scope)
        else:
            yield from times(step, scope)

    def _over(self, step: ForStep, scope: Scope) -> Iterator[Turn]:
        """The values written in the loop; a turn is without its value where that depends on an answer."""
        assert isinstance(step.for_.in_, tuple)
        of = len(step.for_.in_)
        for number, value in enumerate(step.for_.in_, 1):
            single = step.model_copy(update={"for_": step.for_.model_copy(update={"in_": (value,)})})
            opened = self.opened(single, scope)
            if opened:
                self._hangs = {**self._hangs, step.for_.each: opened["in"]}
                turn: Turn = partial(Scope.without, name=step.for_.each)
            else:
                (turn,) = listed(single, scope)
            yield partial(_as_the, number=number, of=of, turn=turn)

    def _as_often_as(self, step: RepeatStep | ForStep, why: Why) -> Iterator[Turn]:
        """Turns of which nobody knows yet how many: gone through until one more leaves nothing else open."""
        if isinstance(step, ForStep):
            self._hangs = {**self._hangs, step.for_.each: why}
        when = self._when
        while True:
            before, entries = self.predicted.copy(), len(self.entries)
            self._when = (*when, f"as often as {joined(why)} says")
            yield partial(Scope.without, name=step.for_.each) if isinstance(step, ForStep) else lambda around: around
            self._when = when
            self.predicted.merge(before, why)
            if self.predicted.knows_as_much_as(before):
                return
            del self.entries[entries:]

    def not_entered(self, step: CallStep, refused: Refused) -> None:
        self._add(Entry("call", step.call.procedure, problem=WouldBeRefused.of(refused)))

    @contextmanager
    def inside(self, procedure: Procedure, scope: Scope, opened: Open) -> Iterator[None]:
        outside, self._hangs = self._hangs, opened
        yield
        self._hangs = outside

    async def simple(self, step: Step, opened: Open, scope: Scope) -> Scope:
        if isinstance(step, AskStep):
            self._ask(step, opened, scope)
            return scope
        verb = STEPS[step.verb]
        if not opened:
            step = resolve(step, scope)
        elif verb.in_part:
            kept = {key: value for key, value in step.args.given().items() if key not in opened}
            step = resolve(type(step).model_validate_json(json.dumps({step.verb: kept}), strict=True), scope)
        if verb.measures:
            self._asked_of_glass(scope)
        asked = rear_asked(self.predicted, verb, step.args, opened)
        if asked is not None:
            self._add(Entry("ask", "rear_clear", ask=scope.prompt(asked.text)))
        perhaps = rear_perhaps(self.predicted, verb, step.args, opened)
        if perhaps is not None:
            if_asked = "if the lens's record does not say how far it reaches back"
            ask = f"Have you made sure that the lens stays clear of glass and target? How far depends on {perhaps}."
            self._add(Entry("ask", "rear_clear", ask=ask), if_asked)
        self._add(verb.foresee(step.args, self.predicted, opened))
        self.predicted.rear_told |= perhaps is not None
        return scope

    def _asked_of_glass(self, scope: Scope) -> None:
        """Before a sweep, where no question came before it that it could have been put with."""
        about = self.predicted.glass.now(self.predicted.set_up)
        if about is not None:
            text, if_so = about
            self._add(Entry("ask", "glass_meant", ask=scope.prompt(text)), *(() if if_so is None else (if_so,)))

    def _ask(self, step: AskStep, opened: Open, scope: Scope) -> None:
        args: Ask = (step if opened else resolve(step, scope)).args
        choices = f" [{' / '.join(args.choices)}]" if args.choices else ""
        text = f"depends on {joined(all_of(opened))}" if opened else args.kind
        ask = args.prompt + choices
        if opened:
            ask = scope.prompt(ask)  # where nothing is open it was put so with its values
        about = self.predicted.glass.now(self.predicted.set_up) if args.kind == "confirm" else None
        if about is not None:
            of_glass, if_so = about
            ask = f"{of_glass if if_so is None else f'[{if_so}: {of_glass}]'} {ask}"
        self._add(Entry("ask", text, ask=ask))

    def _add(self, entry: Entry, *conditions: str) -> None:
        self._gone_through += 1
        if self._gone_through > MOST_ENTRIES:
            text = f"The procedure has more than {MOST_ENTRIES} steps, its loops written out."
            raise Refused("bad_request", text, advice="Lessen the repeats.")
        self.entries.append(replace(entry, when=(*self._when, *conditions), step=self.top))
