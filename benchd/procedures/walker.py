"""The interpreter of the step language: the order of steps, loops, branches and calls.

A back end decides what a step does, which branch is taken and how often a loop is repeated: `LiveBackEnd` carries out,
`DryBackEnd` predicts and leaves open what is not known yet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import Any, Protocol

from benchd.errors import Refused
from benchd.procedures.inputs import Input, Known, kind_of, parse_inputs
from benchd.procedures.language import Procedure, require_needs
from benchd.procedures.scope import Facts, Scope, Turn, resolve
from benchd.procedures.steps import CallStep, ForStep, IfStep, RepeatStep, Step
from benchd.verbs.foreseen import OpenArgs
from benchd.verbs.view import BenchView

DEPTH_OF_CALLS = 8

Steps = tuple[Step, ...]


class BackEnd(Protocol):
    """What the walker calls for each step."""

    def open_args(self, step: Step, scope: Scope) -> OpenArgs:
        """The arguments of the step (of a call: the inputs) that are not known yet, and what each depends on."""

    def branches(self, step: IfStep, scope: Scope) -> Iterator[Steps]:
        """The branch to walk; every possible one, if that is not known."""

    def turns(self, step: RepeatStep | ForStep, scope: Scope, open_args: OpenArgs) -> Iterator[Turn]:
        """The turns of a loop, as often as it says."""

    def ends(self, step: RepeatStep, scope: Scope) -> bool:
        """Whether, after a turn, the loop's `until` holds; asked where it has one."""

    async def view(self) -> BenchView:
        """The bench as a called procedure finds it."""

    def call_refused(self, step: CallStep, refused: Refused) -> None:
        """A call is refused before the first step of the called procedure: raise it, or note it."""

    def in_called_procedure(
        self, procedure: Procedure, scope: Scope, open_args: OpenArgs
    ) -> AbstractContextManager[None]:
        """A context around the steps of a called procedure."""

    async def plain_step(self, step: Step, open_args: OpenArgs, scope: Scope) -> Scope:
        """Handle a step that holds no others; gives the scope after it."""

    def report(self, top: int | None, step: Step, share: float) -> None:
        """Report progress: the index if it is a top-level step, and the share of the step that is done."""


def scope_of(inputs: Mapping[str, Input], values: Mapping[str, Any], facts: Facts) -> Scope:
    """Values of names at the beginning of a procedure with these inputs."""
    return Scope(dict(values), {name: kind_of(wanted) for name, wanted in inputs.items()}, facts)


class Walker:
    """Walks through procedures with a back end, whose exceptions end the walk."""

    def __init__(
        self, back: BackEnd, procedures: Callable[[str], Procedure], facts: Facts, known: Known | None
    ) -> None:
        self._back = back
        self._procedures = procedures
        self._facts = facts
        self._known = known

    async def top(self, steps: Sequence[Step], scope: Scope) -> Scope:
        """The top-level steps of a procedure; gives the scope with saved answers."""
        for index, step in enumerate(steps):
            scope = await self._step_reported(index, step, scope, 0)
        return scope

    async def steps(self, steps: Sequence[Step], scope: Scope, calls: int = 0) -> Scope:
        """Nested steps, inside so many calls; gives the scope with saved answers."""
        for step in steps:
            scope = await self._step_reported(None, step, scope, calls)
        return scope

    async def _step_reported(self, top: int | None, step: Step, scope: Scope, calls: int) -> Scope:
        self._back.report(top, step, 0.0)
        scope = await self._step(step, scope, calls)
        self._back.report(top, step, 1.0)
        return scope

    async def _step(self, step: Step, scope: Scope, calls: int) -> Scope:
        open_args = self._back.open_args(step, scope)
        if isinstance(step, IfStep):
            after = scope
            for body in self._back.branches(step, scope):
                after = await self.steps(body, scope, calls)
            return after
        if isinstance(step, RepeatStep | ForStep):
            return await self._loop(step, open_args, scope, calls)
        if isinstance(step, CallStep):
            await self._call(step, open_args, scope, calls)
            return scope
        return await self._back.plain_step(step, open_args, scope)

    async def _loop(self, step: RepeatStep | ForStep, open_args: OpenArgs, around: Scope, calls: int) -> Scope:
        """Answers saved in a turn are known in the next turn and after the loop; the loop variable only inside it."""
        scope = around
        for turn in self._back.turns(step, around, open_args):
            scope = await self.steps(step.steps, turn(replace(scope, rounds=around.rounds)), calls)
            if isinstance(step, RepeatStep) and step.until is not None and self._back.ends(step, scope):
                break
        scope = replace(scope, rounds=around.rounds)
        return scope.restoring(step.for_.each, around) if isinstance(step, ForStep) else scope

    async def _call(self, step: CallStep, open_args: OpenArgs, scope: Scope, calls: int) -> None:
        try:
            called, inside = await self._enter(step, open_args, scope, calls)
        except Refused as refused:
            self._back.call_refused(step, refused)
            return
        with self._back.in_called_procedure(called, inside, open_args):
            await self.steps((*called.steps, *called.finally_), inside, calls + 1)

    async def _enter(self, step: CallStep, open_args: OpenArgs, scope: Scope, calls: int) -> tuple[Procedure, Scope]:
        """The called procedure and its initial scope. Raises Refused."""
        if calls >= DEPTH_OF_CALLS:
            raise Refused("bad_request", f"Procedures call one another more than {DEPTH_OF_CALLS} deep.")
        called = self._procedures(step.call.procedure)
        require_needs(called, await self._back.view())
        given = {name: value for name, value in step.call.inputs.items() if name not in open_args}
        known = step.model_copy(update={"call": step.call.model_copy(update={"inputs": given})})
        inputs = {name: wanted for name, wanted in called.inputs.items() if name not in open_args}
        values = parse_inputs(inputs, resolve(known, scope).args.inputs, self._known)
        return called, replace(scope_of(inputs, values, self._facts), rounds=scope.rounds)
