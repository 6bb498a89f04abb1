"""Dry run: a procedure predicted without moving anything.

Loops are unrolled, and both branches of a condition are shown, each under its condition. A person's time is not
counted; the questions are listed instead. Entries say if they depend on an answer not yet given, or on which branch was
taken.
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
from benchd.procedures.language import Procedure, require_needs
from benchd.procedures.plan import Plan
from benchd.procedures.scope import Facts, Scope, Turn, resolve, turns_by_count, turns_over_values
from benchd.procedures.steps import AskStep, CallStep, ForStep, IfStep, RepeatStep, Step, references
from benchd.procedures.walker import Steps, Walker, scope_of
from benchd.verbs.entry import Entry, WouldBeRefused
from benchd.verbs.foreseen import OpenArgs, Why, all_dependencies, joined_by_and
from benchd.verbs.predicted_bench import PredictedBench
from benchd.verbs.rear_clearance import rear_question_before, rear_question_depends_on
from benchd.verbs.table import STEPS
from benchd.verbs.turning import turned
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
    """The plan of a procedure with the inputs `values` (from `parse_inputs`), from the bench's present state.

    Raises Refused if the bench lacks what is needed, a value is not allowed, or the plan has more than MOST_ENTRIES
    entries; a single move or change that would be refused is the `problem` of its entry.
    """
    require_needs(procedure, bench)
    back = DryBackEnd(bench)
    back.predicted.begin_run()
    walker = Walker(back, lambda name: _named(name, library or {}), facts, known)
    scope = scope_of(procedure.inputs, values, facts)
    _run_without_waiting(walker.top(procedure.steps, scope))
    back.top = None
    _run_without_waiting(walker.steps(procedure.finally_, scope))
    return Plan(procedure.procedure, tuple(back.entries), len(procedure.steps))


def _named(name: str, library: Mapping[str, Procedure]) -> Procedure:
    if name not in library:
        raise Refused("unknown_name", f"There is no procedure '{name}'.")
    return library[name]


def _numbered_turn(around: Scope, number: int, count: int, turn: Turn) -> Scope:
    """The scope of one turn, with its round number and the count of rounds."""
    return replace(turn(around), rounds=(*around.rounds, (number, count)))


def _run_without_waiting(walk: Any) -> None:
    """Run a coroutine that never waits to its end."""
    try:
        walk.send(None)
    except StopIteration:
        return
    raise AssertionError("a prediction waited")


class DryBackEnd:
    """The back end that predicts: it collects entries and updates the predicted bench."""

    def __init__(self, view: BenchView) -> None:
        self._view = view
        self.entries: list[Entry] = []
        self.predicted = PredictedBench(view)
        self.top: int | None = None
        self._when: tuple[str, ...] = ()
        self._entry_count = 0
        self._name_depends_on: Mapping[str, Why] = {}  # for names other than saved answers

    async def view(self) -> BenchView:
        return self._view

    def report(self, top: int | None, step: Step, share: float) -> None:
        if top is not None:
            self.top = top

    def open_args(self, step: Step, scope: Scope) -> OpenArgs:
        # Answers are never in the scope of a dry run, so a name that is missing there is a saved answer, still open.
        open_args: dict[str, Why] = {}
        for place, reference in references(step):
            name = reference.name
            if name not in scope.values:
                key = str(place[2 if isinstance(step, CallStep) else 1]) if len(place) > 1 else step.verb
                why = self._name_depends_on.get(name, (f"the answer {name}",))
                open_args[key] = (*open_args.get(key, ()), *why)
        return open_args

    def branches(self, step: IfStep, scope: Scope) -> Iterator[Steps]:
        condition, before, when = step.if_, self.predicted.copy(), self._when
        self._when = (*when, f"if {condition}")
        yield step.then
        after_then, self.predicted = self.predicted, before
        self._when = (*when, f"if not {condition}")
        yield step.else_
        self._when = when
        subject = f"the answer {condition.answer}" if condition.answer else f"the finding {condition.finding}"
        self.predicted.merge(after_then, (subject,))

    def turns(self, step: RepeatStep | ForStep, scope: Scope, open_args: OpenArgs) -> Iterator[Turn]:
        if isinstance(step, ForStep) and isinstance(step.for_.in_, tuple):
            yield from self._turns_over_stated_values(step, scope)
        elif open_args:
            yield from self._turns_of_unknown_count(step, all_dependencies(open_args))
        elif isinstance(step, ForStep):
            yield from turns_over_values(step, scope)
        elif step.until is not None:
            yield from self._turns_until(step, scope)
        else:
            yield from turns_by_count(step, scope)

    def ends(self, step: RepeatStep, scope: Scope) -> bool:
        return False  # not known yet: `turns` marks what may not come

    def _turns_until(self, step: RepeatStep, scope: Scope) -> Iterator[Turn]:
        """The first turn; for all others one, under the condition that they come at all."""
        assert step.until is not None
        turns, when = turns_by_count(step, scope), self._when
        yield from turns[:1]
        if len(turns) > 1:
            before, entries = self.predicted.copy(), len(self.entries)
            most = len(turns) - 1
            self._when = (*when, f"until {step.until}, at most {most} time{'s' if most > 1 else ''} more")
            yield turns[1]
            self.entries[entries:] = [
                replace(entry, seconds=most * entry.seconds, seconds_more=most * entry.seconds_more)
                for entry in self.entries[entries:]
            ]
            self._when = when
            self.predicted.merge(before, (str(step.until),))

    def _turns_over_stated_values(self, step: ForStep, scope: Scope) -> Iterator[Turn]:
        """Turns over the values stated in the loop; a turn has no value for its name if that depends on an answer."""
        assert isinstance(step.for_.in_, tuple)
        count = len(step.for_.in_)
        for number, value in enumerate(step.for_.in_, 1):
            single = step.model_copy(update={"for_": step.for_.model_copy(update={"in_": (value,)})})
            open_args = self.open_args(single, scope)
            if open_args:
                self._name_depends_on = {**self._name_depends_on, step.for_.each: open_args["in"]}
                turn: Turn = partial(Scope.without, name=step.for_.each)
            else:
                (turn,) = turns_over_values(single, scope)
            yield partial(_numbered_turn, number=number, count=count, turn=turn)

    def _turns_of_unknown_count(self, step: RepeatStep | ForStep, why: Why) -> Iterator[Turn]:
        """Turns whose number is not known yet: repeated until one more turn makes nothing else unknown."""
        if isinstance(step, ForStep):
            self._name_depends_on = {**self._name_depends_on, step.for_.each: why}
        when = self._when
        while True:
            before, entries = self.predicted.copy(), len(self.entries)
            self._when = (*when, f"as often as {joined_by_and(why)} says")
            yield partial(Scope.without, name=step.for_.each) if isinstance(step, ForStep) else lambda around: around
            self._when = when
            self.predicted.merge(before, why)
            if self.predicted.knows_as_much_as(before):
                return
            del self.entries[entries:]

    def call_refused(self, step: CallStep, refused: Refused) -> None:
        self._add(Entry("call", step.call.procedure, problem=WouldBeRefused.certain(refused)))

    @contextmanager
    def in_called_procedure(self, procedure: Procedure, scope: Scope, open_args: OpenArgs) -> Iterator[None]:
        outside, self._name_depends_on = self._name_depends_on, open_args
        yield
        self._name_depends_on = outside

    async def plain_step(self, step: Step, open_args: OpenArgs, scope: Scope) -> Scope:
        if isinstance(step, AskStep):
            self._ask(step, open_args, scope)
            return scope
        verb = STEPS[step.verb]
        if not open_args:
            step = resolve(step, scope)
        elif verb.in_part:
            kept = {key: value for key, value in step.args.given().items() if key not in open_args}
            step = resolve(type(step).model_validate_json(json.dumps({step.verb: kept}), strict=True), scope)
        if verb.measures:
            self._add_glass_question(scope)
        asked = rear_question_before(self.predicted, verb, step.args, open_args)
        if asked is not None:
            self._add(Entry("ask", "rear_clear", ask=scope.prompt(asked.text)))
        perhaps = rear_question_depends_on(self.predicted, verb, step.args, open_args)
        if perhaps is not None:
            if_asked = "if the lens's record does not say how far it reaches back"
            ask = f"Have you made sure that the lens stays clear of glass and target? How far depends on {perhaps}."
            self._add(Entry("ask", "rear_clear", ask=ask), if_asked)
        self._add(verb.foresee(step.args, self.predicted, open_args))
        self.predicted.rear_question_announced |= perhaps is not None
        return scope

    def _add_glass_question(self, scope: Scope) -> None:
        """Add the question about the glass before a sweep, unless an earlier question included it."""
        about = self.predicted.glass.ask_about(self.predicted.set_up)
        if about is not None:
            text, if_so = about
            self._add(Entry("ask", "glass_meant", ask=scope.prompt(text)), *(() if if_so is None else (if_so,)))

    def _ask(self, step: AskStep, open_args: OpenArgs, scope: Scope) -> None:
        args: Ask = (step if open_args else resolve(step, scope)).args
        choices = f" [{' / '.join(args.choices)}]" if args.choices else ""
        text = f"depends on {joined_by_and(all_dependencies(open_args))}" if open_args else args.kind
        ask = args.prompt(turned(self.predicted))
        if not ask:
            return
        ask = scope.prompt(ask) + choices
        about = self.predicted.glass.ask_about(self.predicted.set_up) if args.kind == "confirm" else None
        if about is not None:
            glass_text, if_so = about
            ask = f"{glass_text if if_so is None else f'[{if_so}: {glass_text}]'} {ask}"
        problem: WouldBeRefused | None = None
        try:
            args.bounds()  # of values by name may leave no number between them
        except Refused as refused:
            problem = WouldBeRefused.certain(refused)
        self._add(Entry("ask", text, ask=ask, problem=problem))

    def _add(self, entry: Entry, *conditions: str) -> None:
        self._entry_count += 1
        if self._entry_count > MOST_ENTRIES:
            text = f"The procedure has more than {MOST_ENTRIES} steps, its loops written out."
            raise Refused("bad_request", text, advice="Lessen the repeats.")
        self.entries.append(replace(entry, when=(*self._when, *conditions), step=self.top))
