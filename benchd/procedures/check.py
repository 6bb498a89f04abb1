"""Static check of a procedure, without a bench: every problem with its file, line and column.

The models check each step by itself; here steps are checked against those before them (names, findings, answers, other
procedures), and every value by name is tried with values that its input may have.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from typing import Any, get_args

from pydantic import ValidationError

from benchd.errors import BenchdError
from benchd.files.bench_file import Role
from benchd.files.problems import FileProblems, Problem
from benchd.files.source import problems_of
from benchd.files.wording import near_names
from benchd.procedures.arguments import Ask, Condition
from benchd.procedures.inputs import FACTS, LEFT_OUT, Input, kind_of, parse_input, sample_value
from benchd.procedures.known import Known, some_answer, some_facts
from benchd.procedures.language import Procedure, ProcedureFile
from benchd.procedures.scope import Scope, substituted, turns_over_values
from benchd.procedures.steps import (
    AskStep,
    CallStep,
    ForStep,
    IfStep,
    Place,
    RepeatStep,
    Step,
    bodies,
    references,
    roles_of,
)
from benchd.procedures.values import BY_NAME, Reference
from benchd.questions import registry
from benchd.verbs.table import STEPS
from benchd.verbs.verb import Verb

__all__ = ["check_procedure", "kind_of"]

ROLES = frozenset(get_args(Role))


def check_procedure(file: ProcedureFile, *, library: Mapping[str, Procedure] | None = None) -> None:
    """Raises FileProblems with every problem. `library`: what may be called, None leaves that unchecked."""
    checker = _Checker(file, library)
    checker.run()
    if checker.problems:
        raise FileProblems(sorted(checker.problems, key=lambda problem: (problem.line, problem.column)))


class _Checker:
    def __init__(self, file: ProcedureFile, library: Mapping[str, Procedure] | None) -> None:
        self.procedure, self.source = file.procedure, file.source
        self.library = library
        self.problems: list[Problem] = []

    def run(self) -> None:
        inputs = self.procedure.inputs
        values = {name: sample_value(wanted) for name, wanted in inputs.items()}
        scope = Scope(values, {name: kind_of(wanted) for name, wanted in inputs.items()}, some_facts)
        self._steps(self.procedure.steps, ("steps",), Known(scope))
        # `finally` runs however the steps ended, so it cannot rely on anything that they saved or found.
        self._steps(self.procedure.finally_, ("finally",), Known(scope))

    def _wrong(self, at: Place, allowed: str) -> None:
        self._add(self.source.problem(at, allowed))

    def _add(self, problem: Problem) -> None:
        if problem not in self.problems:  # the steps of a loop are checked once for each of its values
            self.problems.append(problem)

    def _steps(self, steps: tuple[Step, ...], at: Place, known: Known) -> None:
        for index, step in enumerate(steps):
            self._step(step, (*at, index), known)

    def _assessment(self, name: str, step: Step, at: Place, known: Known) -> None:
        if name not in (installed := registry.names()):
            self._wrong((*at, step.verb, "name"), _one_of("an assessment", name, installed))
            return
        try:
            asked = registry.question(name)
            asked.check_of(step.args.of)
        except BenchdError as refused:
            self._wrong((*at, step.verb), f"{refused.text} {refused.advice}")
            return
        if missing := [reading for reading in asked.readings if reading not in known.readings]:
            self._wrong((*at, step.verb), f"steps before it that keep the readings {', '.join(missing)}")
        if asked.sweeps and not known.swept:
            self._wrong((*at, step.verb), "a sweep before it")

    def _step(self, step: Step, at: Place, known: Known) -> None:
        self._values(step, at, known.scope)
        for role in roles_of(step):
            if role in ROLES and role not in self.procedure.needs.roles:
                self._wrong((*at, step.verb), f"'{role}' among needs.roles, as this step uses it")
        if isinstance(step, IfStep):
            self._condition(step.if_, (*at, "if"), known)
            branches = known.copy(), known.copy()
            for (key, body), branch in zip(bodies(step), branches, strict=True):
                self._steps(body, (*at, key), branch)
            known.merge(*branches)
        elif isinstance(step, RepeatStep | ForStep):
            self._loop(step, at, known)
        elif isinstance(step, AskStep):
            self._ask(step.ask, (*at, "ask"), known)
        elif isinstance(step, CallStep):
            self._call(step, (*at, "call"), known)
        elif step.verb in STEPS:
            self._verb_step(STEPS[step.verb], step, at, known)

    def _ask(self, ask: Ask, at: Place, known: Known) -> None:
        """Add what is kept of the answer to `known`."""
        if ask.save is not None:
            self._new_name(ask.save, (*at, "save"), known)
            known.answers[ask.save] = ask
            known.scope = known.scope.with_value(ask.save, some_answer(ask), ask.kind)
        if ask.keep is not None:
            known.readings |= {ask.keep}

    def _verb_step(self, verb: Verb[Any], step: Step, at: Place, known: Known) -> None:
        """Check what the step refers to, and add what it makes to `known`."""
        for key, (what, name) in verb.goes_by(step.args).items():
            if what == "finding":
                self._finding(name, (*at, step.verb, key), known)
            elif name not in known.readings:
                wrong = _one_of("the name of a reading taken before this step", name, known.readings)
                self._wrong((*at, step.verb, key), wrong)
        if (made := verb.makes(step.args)) is not None:
            self._assessment(made, step, at, known)
            known.findings |= {made}
        if (kept := verb.keeps(step.args)) is not None:
            known.readings |= {kept}
        known.swept |= verb.measures

    def _values(self, step: Step, at: Place, scope: Scope) -> None:
        named = list(references(step))
        unknown = False
        for place, reference in named:
            kind = scope.kinds.get(reference.name, "")
            if reference.name not in scope.values:
                self._wrong((*at, *place), _one_of("the name of a value known here", reference.name, scope.values))
                unknown = True
            elif reference.key is not None and reference.key not in FACTS.get(kind, ()):
                self._wrong((*at, *place), _one_of(f"a key of a {kind}", reference.key, FACTS.get(kind, ())))
                unknown = True
            elif reference.key is not None and self._may_be_null(reference.name):
                self._wrong((*at, *place), f"a value that is always there; {reference.name} may be left out")
                unknown = True
        if unknown or not named or isinstance(step, CallStep):
            return
        for trial in self._trials({reference.name for _, reference in named}, scope):
            try:
                substituted(step, trial)
            except ValidationError as error:
                for problem in problems_of(self.source, error, type(step), at=at):
                    self._add(_with_kind_of_value(problem, trial))
                return

    def _trials(self, names: Collection[str], scope: Scope) -> Iterator[Scope]:
        """Scopes with some value of each input, then with its largest, then with null if it may be left out."""
        yield scope
        for name in names:
            wanted = self.procedure.inputs.get(name)
            if wanted is None:
                continue
            if wanted.max is not None and wanted.type != "list":
                value = int(wanted.max) if wanted.type == "integer" else wanted.max
                yield scope.with_value(name, value, kind_of(wanted))
            if self._may_be_null(name):
                yield scope.with_value(name, LEFT_OUT if wanted.stands else None, kind_of(wanted))

    def _loop(self, step: RepeatStep | ForStep, at: Place, known: Known) -> None:
        before, inside = known.copy(), known.copy()
        if isinstance(step, ForStep):
            self._new_name(step.for_.each, (*at, "for", "each"), known)
            over = step.for_.in_
            turns = self._least(over) if isinstance(over, Reference) else len(over)
            for turn in _some_turns(step, known.scope):
                inside = known.copy()
                inside.scope = turn
                self._steps(step.steps, (*at, "steps"), inside)
        else:
            turns = self._least(step.repeat) if isinstance(step.repeat, Reference) else step.repeat
            self._steps(step.steps, (*at, "steps"), inside)
            if step.until is not None:
                self._condition(step.until, (*at, "until"), inside)
        if isinstance(step, ForStep):
            values = {name: value for name, value in inside.scope.values.items() if name != step.for_.each}
            inside.scope = Scope(values, inside.scope.kinds, inside.scope.facts)
        known.adopt(inside if turns >= 1 else before)
        known.swept |= inside.swept

    def _may_be_null(self, name: str) -> bool:
        wanted = self.procedure.inputs.get(name)
        return wanted is not None and wanted.may_be_null

    def _least(self, reference: Reference) -> float:
        wanted = self.procedure.inputs.get(reference.name)
        return 0.0 if wanted is None or wanted.min is None else wanted.min

    def _new_name(self, name: str, at: Place, known: Known) -> None:
        if name in known.scope.values and name not in known.answers:
            self._wrong(at, f"a name of its own; '{name}' stands for something else already")

    def _finding(self, name: str, at: Place, known: Known) -> None:
        if name not in known.findings:
            self._wrong(at, _one_of("a finding made before this step", name, known.findings))

    def _condition(self, condition: Condition, at: Place, known: Known) -> None:
        if condition.finding is not None:
            self._finding(condition.finding, (*at, "finding"), known)
            return
        assert condition.answer is not None
        ask = known.answers.get(condition.answer)
        if ask is None:
            self._wrong((*at, "answer"), _one_of("an answer saved before this step", condition.answer, known.answers))
            return
        if ask.kind == "choice" and condition.is_ not in ask.choices and not isinstance(condition.is_, Reference):
            self._wrong((*at, "is"), f"one of the choices: {', '.join(ask.choices)}")
        elif ask.kind in ("yes_no", "confirm") and not isinstance(condition.is_, bool):
            self._wrong((*at, "is"), "true or false, as the question is answered by yes or no")
        elif ask.kind in ("text", "mark") and "is_" not in condition.model_fields_set:
            self._wrong(at, "'is', as the answer is no number")

    def _call(self, step: CallStep, at: Place, known: Known) -> None:
        if self.library is None:
            return
        called = self.library.get(step.call.procedure)
        if called is None:
            wrong = _one_of("a procedure", step.call.procedure, self.library)
            self._wrong((*at, "procedure"), wrong)
            return
        if self.procedure.procedure in _all_called(called, self.library):
            self._wrong((*at, "procedure"), "a procedure that does not call this one in its turn")
            return
        for name, given in step.call.inputs.items():
            wanted = called.inputs.get(name)
            place = (*at, "inputs", name)
            if wanted is None:
                self._wrong(place, _one_of(f"an input of {called.procedure}", name, called.inputs))
                continue
            wrong = _unfit(wanted, given, known.scope)
            if wrong:
                self._wrong(place, wrong)
        missing = [name for name, wanted in called.inputs.items() if wanted.required and name not in step.call.inputs]
        if missing:
            self._wrong((*at, "inputs"), f"{called.procedure} needs {', '.join(missing)} as well")
        for role in called.needs.roles:
            if role not in self.procedure.needs.roles:
                self._wrong((*at, "procedure"), f"'{role}' among needs.roles, as {called.procedure} needs it")
        steps = [inner for _, inner in called.walk() if inner.verb in STEPS]
        known.findings |= {made for inner in steps if (made := STEPS[inner.verb].makes(inner.args)) is not None}
        known.readings |= {kept for inner in steps if (kept := STEPS[inner.verb].keeps(inner.args)) is not None}
        known.swept |= any(STEPS[inner.verb].measures for inner in steps)


def _some_turns(step: ForStep, scope: Scope) -> list[Scope]:
    """The turns of a loop as far as they are known: for a list by name, one turn with a sample value."""
    over = step.for_.in_
    if isinstance(over, Reference):
        kind = scope.kinds.get(over.name, "").removeprefix("list of ")
        value = scope.values.get(over.name)
        return [scope.with_value(step.for_.each, value[0] if isinstance(value, list) and value else "x", kind)]
    try:
        return [turn(scope) for turn in turns_over_values(step, scope)]
    except (BenchdError, ValidationError):  # reported for the step itself
        return [scope.with_value(step.for_.each, "x", "")]


def _with_kind_of_value(problem: Problem, scope: Scope) -> Problem:
    """The problem of a value by name: instead of allowing a name, it says of what kind the named value is."""
    allowed = "; or ".join(part for part in problem.allowed.split("; or ") if part != BY_NAME)
    reference = Reference.parse(problem.stands.strip("'"))
    kind = scope.kinds.get(reference.name, "") if reference is not None and reference.key is None else ""
    return replace(problem, allowed=f"{allowed}; {reference} is a {kind}" if kind else allowed)


def _unfit(wanted: Input, given: Any, scope: Scope) -> str:
    reference = Reference.parse(given) if isinstance(given, str) else None
    if reference is not None:
        kind = scope.kinds.get(reference.name, "")
        fits = reference.key is not None or kind == kind_of(wanted) or not kind
        return "" if fits else f"a {kind_of(wanted)}; {reference} is a {kind}"
    try:
        parse_input(wanted, given, None)
    except ValueError as error:
        return str(error)
    return ""


def _all_called(procedure: Procedure, library: Mapping[str, Procedure]) -> set[str]:
    names: set[str] = set()
    waiting = [procedure]
    while waiting:
        current = waiting.pop()
        if current.procedure in names:
            continue
        names.add(current.procedure)
        called = {step.call.procedure for _, step in current.walk() if isinstance(step, CallStep)}
        waiting += [library[name] for name in called if name in library]
    return names


def _one_of(what: str, name: str, known: Collection[str]) -> str:
    near = near_names(name, known, 1)
    suggestion = f"; did you mean '{near[0]}'?" if near else ""
    return f"{what}{suggestion} ({', '.join(sorted(known)) or 'there is none'})"
