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

    def not_entered(self, step: CallStep, refused: Refused) -> None:
        """A call that is refused before any step of the called procedure: raise it, or foresee it."""

    def inside(self, procedure: Procedure, scope: Scope, opened: Open) -> AbstractContextManager[None]:
        """Around the steps of a called procedure."""

    async def simple(self, step: Step, opened: Open, scope: Scope) -> Scope:
        """A step that holds no others; gives the scope after it."""

    def at(self, top: int | None, step: Step, share: float) -> None:
        """How far it is: the index of a top-level step, the share of a step that is done."""


def scope_of(inputs: Mapping[str, Input], values: Mapping[str, Any], facts: Facts) -> Scope:
    """What names stand for at the beginning of a procedure with these inputs."""
    return Scope(dict(values), {name: kind_of(one) for name, one in inputs.items()}, facts)


class Walker:
    """Goes through procedures by a back end. Raises whatever ends them."""

    def __init__(
        self, back: BackEnd, procedures: Callable[[str], Procedure], facts: Facts, known: Known | None
    ) -> None:
        self._back = back
        self._procedures = procedures
        self._facts = facts
        self._known = known

    async def top(self, steps: Sequence[Step], scope: Scope) -> Scope:
        """The steps of a procedure itself; gives the scope with what was saved."""
        for index, step in enumerate(steps):
            scope = await self._told(index, step, scope, 0)
        return scope

    async def steps(self, steps: Sequence[Step], scope: Scope, calls: int = 0) -> Scope:
        """Steps that stand within others, inside so many calls; gives the scope with what was saved."""
        for step in steps:
            scope = await self._told(None, step, scope, calls)
        return scope

    async def _told(self, top: int | None, step: Step, scope: Scope, calls: int) -> Scope:
        self._back.at(top, step, 0.0)
        scope = await self._one(step, scope, calls)
        self._back.at(top, step, 1.0)
        return scope

    async def _one(self, step: Step, scope: Scope, calls: int) -> Scope:
        opened = self._back.opened(step, scope)
        if isinstance(step, IfStep):
            after = scope
            for body in self._back.ways(step, scope):
                after = await self.steps(body, scope, calls)
            return after
        if isinstance(step, RepeatStep | ForStep):
            return await self._loop(step, opened, scope, calls)
        if isinstance(step, CallStep):
            await self._call(step, opened, scope, calls)
            return scope
        return await self._back.simple(step, opened, scope)

    async def _loop(self, step: RepeatStep | ForStep, opened: Open, around: Scope, calls: int) -> Scope:
        """Answers that are saved in a turn stand in the next and after the loop; its own variable only within it."""
        scope = around
        for turn in self._back.turns(step, around, opened):
            scope = await self.steps(step.steps, turn(replace(scope, rounds=around.rounds)), calls)
        scope = replace(scope, rounds=around.rounds)
        return scope.as_before(step.for_.each, around) if isinstance(step, ForStep) else scope

    async def _call(self, step: CallStep, opened: Open, scope: Scope, calls: int) -> None:
        try:
            called, inside = await self._entered(step, opened, scope, calls)
        except Refused as refused:
            self._back.not_entered(step, refused)
            return
        with self._back.inside(called, inside, opened):
            await self.steps((*called.steps, *called.finally_), inside, calls + 1)

    async def _entered(self, step: CallStep, opened: Open, scope: Scope, calls: int) -> tuple[Procedure, Scope]:
        """The called procedure and what names stand for at its beginning. Raises Refused."""
        if calls >= DEPTH_OF_CALLS:
            raise Refused("bad_request", f"Procedures call one another more than {DEPTH_OF_CALLS} deep.")
        called = self._procedures(step.call.procedure)
        demand(called, await self._back.view())
        given = {name: value for name, value in step.call.inputs.items() if name not in opened}
        known = step.model_copy(update={"call": step.call.model_copy(update={"inputs": given})})
        inputs = {name: one for name, one in called.inputs.items() if name not in opened}
        values = take_all(inputs, resolve(known, scope).args.inputs, self._known)
        return called, replace(scope_of(inputs, values, self._facts), rounds=scope.rounds)
