"""A procedure gone through without moving anything.

Loops are written out, both branches of a condition are shown, each under its condition. Times of a person are not
reckoned; what a person is asked is listed instead. What depends on an answer not yet given is said to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from benchd.errors import Refused
from benchd.procedures.bench_figures import BenchFigures, demand
from benchd.procedures.foresight import Foresight
from benchd.procedures.inputs import kind_of, take_all
from benchd.procedures.language import Procedure
from benchd.procedures.plan import Entry, Plan
from benchd.procedures.scope import Facts, Scope, listed, resolve, times
from benchd.procedures.steps import AskStep, CallStep, ForStep, IfStep, RepeatStep, Step
from benchd.procedures.uses import references

MOST_ENTRIES = 5000


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


class _Walker:
    def __init__(self, bench: BenchFigures, facts: Facts, library: Mapping[str, Procedure]) -> None:
        self.bench, self.facts, self.library = bench, facts, library
        self.entries: list[Entry] = []
        self.ahead = Foresight(bench)
        self.top: int | None = None

    def whole(self, procedure: Procedure, values: Mapping[str, Any]) -> None:
        scope = self._scope(procedure, values)
        for index, step in enumerate(procedure.steps):
            self.top = index
            self._step(step, scope, ())
        self.top = None
        self._steps(procedure.finally_, scope, ())

    def _scope(self, procedure: Procedure, values: Mapping[str, Any]) -> Scope:
        return Scope(values, {name: kind_of(one) for name, one in procedure.inputs.items()}, self.facts)

    def _steps(self, steps: tuple[Step, ...], scope: Scope, when: tuple[str, ...]) -> None:
        for step in steps:
            self._step(step, scope, when)

    def _step(self, step: Step, scope: Scope, when: tuple[str, ...]) -> None:
        # Answers are never in the scope of a dry run: what a file names and is not there is an answer to come.
        open_names = sorted({one.name for _, one in references(step) if one.name not in scope.values})
        if isinstance(step, IfStep):
            self._if(step, scope, when)
        elif isinstance(step, RepeatStep | ForStep) and open_names:
            self._steps(step.steps, scope, (*when, f"as often as {', '.join(open_names)} says"))
        elif isinstance(step, RepeatStep):
            for _ in range(times(step, scope)):
                self._steps(step.steps, scope, when)
        elif isinstance(step, ForStep):
            for turn in listed(step, scope):
                self._steps(step.steps, turn, when)
        elif open_names:
            ask = step.ask.text if isinstance(step, AskStep) else None
            self._add(Entry(step.verb, f"depends on the answer {', '.join(open_names)}", ask=ask), when)
        elif isinstance(step, CallStep):
            self._call(step, scope, when)
        else:
            resolved = resolve(step, scope)
            about_rear = self.ahead.rear(resolved)
            if about_rear is not None:
                self._add(Entry("ask", "rear_clear", ask=about_rear.text), when)
            self._add(self.ahead.take(resolved), when)

    def _if(self, step: IfStep, scope: Scope, when: tuple[str, ...]) -> None:
        before = self.ahead.copy()
        self._steps(step.then, scope, (*when, f"if {step.if_}"))
        # What follows is reckoned as if the condition did not hold; the difference is a move.
        self.ahead = before
        self._steps(step.else_, scope, (*when, f"if not {step.if_}"))

    def _call(self, step: CallStep, scope: Scope, when: tuple[str, ...]) -> None:
        call = resolve(step, scope).args
        called = self.library.get(call.procedure)
        if called is None:
            raise Refused("unknown_name", f"There is no procedure '{call.procedure}'.")
        demand(called, self.bench)
        inside = self._scope(called, take_all(called.inputs, call.inputs, None))
        self._steps(called.steps, inside, when)
        self._steps(called.finally_, inside, when)

    def _add(self, entry: Entry, when: tuple[str, ...]) -> None:
        if len(self.entries) >= MOST_ENTRIES:
            text = f"The procedure has more than {MOST_ENTRIES} steps, its loops written out."
            raise Refused("bad_request", text, advice="Lessen the repeats.")
        self.entries.append(replace(entry, when=when, step=self.top))
