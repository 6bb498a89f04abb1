"""The one interpreter of the step language: the order of steps, loops, branches and calls.

What a step does, which way a branch goes and how often a loop is gone through is for a back end to say: `CarryOut`
does it, `Predict` foresees it, with what nobody knows yet left open.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import Any, Protocol

from benchd.errors import Refused
from benchd.procedures.inputs import Input, Known, kind_of, take_all
from benchd.procedures.language import Procedure, demand
from benchd.procedures.scope import Facts, Scope, Turn, resolve
from benchd.procedures.steps import CallStep, ForStep, IfStep, RepeatStep, Step
from benchd.verbs.foreseen import Open
from benchd.verbs.view import BenchView

DEPTH_OF_CALLS = 8

Steps = tuple[Step, ...]


class BackEnd(Protocol):
    """What is made of the steps that the walker comes to."""

    def opened(self, step: Step, scope: Scope) -> Open:
        """Its arguments (of a call: inputs) that are not known yet, and on what each depends."""

    def ways(self, step: IfStep, scope: Scope) -> Iterator[Steps]:
        """The body that is gone through; each that may be, where that is not known."""

    def turns(self, step: RepeatStep | ForStep, scope: Scope, opened: Open) -> Iterator[Turn]:
        """A loop's turns."""

    async def view(self) -> BenchView:
        """What is there for a called procedure."""

    def inside(self, procedure: Procedure, scope: Scope, opened: Open) -> AbstractContextManager[None]:
        """Around the steps of a called procedure."""

    async def simple(self, step: Step, opened: Open, scope: Scope) -> Scope:
        """A step that holds no others; gives the scope after it."""

    def at(self, top: int | None, step: Step, share: float) -> None:
        """How far it is: the index of a top-level step, the share of a step that is done."""


class Walker:
    """Goes through procedures by a back end. Raises whatever ends them."""

    def __init__(
        self, back: BackEnd, procedures: Callable[[str], Procedure], facts: Facts, known: Known | None
    ) -> None:
        self._back = back
        self._procedures = procedures
        self._facts = facts
        self._known = known

    def scope(self, inputs: Mapping[str, Input], values: Mapping[str, Any]) -> Scope:
        """What names stand for at the beginning of a procedure with these inputs."""
        return Scope(dict(values), {name: kind_of(one) for name, one in inputs.items()}, self._facts)

    async def steps(self, steps: Sequence[Step], scope: Scope, depth: int = 0) -> Scope:
        """Steps in their order; gives the scope with what was saved. Only those of depth 0 are top-level ones."""
        for index, step in enumerate(steps):
            top = index if depth == 0 else None
            self._back.at(top, step, 0.0)
            scope = await self._one(step, scope, depth + 1)
            self._back.at(top, step, 1.0)
        return scope

    async def _one(self, step: Step, scope: Scope, depth: int) -> Scope:
        opened = self._back.opened(step, scope)
        if isinstance(step, IfStep):
            for body in self._back.ways(step, scope):
                scope = await self.steps(body, scope, depth)
            return scope
        if isinstance(step, RepeatStep | ForStep):
            around = scope.rounds
            for turn in self._back.turns(step, scope, opened):
                scope = await self.steps(step.steps, turn(replace(scope, rounds=around)), depth)
            return replace(scope, rounds=around)
        if isinstance(step, CallStep):
            await self._call(step, opened, scope, depth)
            return scope
        return await self._back.simple(step, opened, scope)

    async def _call(self, step: CallStep, opened: Open, scope: Scope, depth: int) -> None:
        if depth > DEPTH_OF_CALLS:
            raise Refused("bad_request", f"Procedures call one another more than {DEPTH_OF_CALLS} deep.")
        called = self._procedures(step.call.procedure)
        demand(called, await self._back.view())
        given = {name: value for name, value in step.call.inputs.items() if name not in opened}
        known = step.model_copy(update={"call": step.call.model_copy(update={"inputs": given})})
        inputs = {name: one for name, one in called.inputs.items() if name not in opened}
        values = take_all(inputs, resolve(known, scope).args.inputs, self._known)
        inside = replace(self.scope(inputs, values), rounds=scope.rounds)
        with self._back.inside(called, inside, opened):
            await self.steps((*called.steps, *called.finally_), inside, depth)
