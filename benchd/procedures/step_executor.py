"""The back end that does it: each step of a run carried out, waiting at the run's gate before it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.gate import Gate
from benchd.bench.jobs import Stopped
from benchd.bench.run_record import RunRecord
from benchd.devices import DeviceError
from benchd.errors import Refused
from benchd.procedures import record_facts
from benchd.procedures.inputs import Known
from benchd.procedures.language import Procedure
from benchd.procedures.library import Library
from benchd.procedures.plan import Plan
from benchd.procedures.predict import dry_run
from benchd.procedures.prompts import Prompts, glass_question, with_findings
from benchd.procedures.scope import Scope, Turn, holds, listed, resolve, times
from benchd.procedures.steps import AskStep, CallStep, ForStep, IfStep, RepeatStep, Step
from benchd.procedures.walker import Steps, Walker, scope_of
from benchd.verbs.foreseen import Open
from benchd.verbs.order import InRun
from benchd.verbs.predicted_bench import PredictedBench
from benchd.verbs.rear_clearance import rear_asked
from benchd.verbs.table import STEPS
from benchd.verbs.verb import Verb
from benchd.verbs.view import BenchView
from benchd.verbs.view_of_bench import view_of

Told = Callable[[int | None, str, float], None]
"""Told how far the run is: a step's index if it is a top-level one, its verb, and the share of it done."""


class StepExecutor:
    """Carries out the steps of runs, and foresees what a run would do; `prompts` are its questions."""

    def __init__(self, bench: Bench, library: Library, prompts: Prompts) -> None:
        self._bench = bench
        self._library = library
        self._prompts = prompts
        self._left: list[tuple[Steps, Scope]] = []

    # Before a run

    def known(self) -> Known:
        """The ids of all records, by kind."""
        return record_facts.known(self._bench.loaded.records)

    def scope(self, procedure: Procedure, values: Mapping[str, Any]) -> Scope:
        """What names stand for at the beginning."""
        return scope_of(procedure.inputs, values, self.facts)

    def facts(self, kind: str, name: str) -> Mapping[str, Any]:
        """Figures of a record; lengths by the calibration in force where there is one."""
        return record_facts.facts(self._bench.loaded, self._bench.setup.calibration, kind, name)

    async def plan(self, procedure: Procedure, values: Mapping[str, Any]) -> Plan:
        """The procedure gone through without moving anything. Raises Refused where the bench lacks what it needs."""
        view = await view_of(self._bench)
        return dry_run(procedure, values, view, self.facts, self._library.procedures, self.known())

    # The steps

    async def top(self, steps: Sequence[Step], scope: Scope, run: RunRecord, gate: Gate, told: Told) -> Scope:
        """Carry out a procedure's own steps; gives the scope with what was saved. Raises whatever ends the run."""
        return await self._walker(run, gate, told).top(steps, scope)

    async def steps(self, steps: Sequence[Step], scope: Scope, run: RunRecord, gate: Gate) -> Scope:
        """The same of steps at its end, of which nobody is told."""
        return await self._walker(run, gate, lambda *_: None).steps(steps, scope)

    def _walker(self, run: RunRecord, gate: Gate, told: Told) -> Walker:
        back = LiveBackEnd(self._bench, self._prompts, run, gate, told, self._left)
        return Walker(back, lambda name: self._library[name].procedure, self.facts, self.known())

    def left_behind(self) -> list[tuple[Steps, Scope]]:
        """The `finally` of each called procedure that was broken off, the innermost first; given out once."""
        left, self._left[:] = self._left[:], []
        return left


class LiveBackEnd:
    """Steps of one run; a called procedure that is broken off leaves its `finally` in `left`."""

    def __init__(
        self,
        bench: Bench,
        prompts: Prompts,
        run: RunRecord,
        gate: Gate,
        told: Told,
        left: list[tuple[Steps, Scope]],
    ) -> None:
        self._bench = bench
        self._prompts = prompts
        self._run = run
        self._gate = gate
        self._told = told
        self._left = left

    def opened(self, step: Step, scope: Scope) -> Open:
        return {}

    async def view(self) -> BenchView:
        return await view_of(self._bench, with_place=False)

    def at(self, top: int | None, step: Step, share: float) -> None:
        self._told(top, step.verb, share)

    def ways(self, step: IfStep, scope: Scope) -> Iterator[Steps]:
        condition = resolve(step, scope).args
        yield step.then if holds(condition, self._run.findings, scope) else step.else_

    def turns(self, step: RepeatStep | ForStep, scope: Scope, opened: Open) -> Iterator[Turn]:
        yield from listed(step, scope) if isinstance(step, ForStep) else times(step, scope)

    def not_entered(self, step: CallStep, refused: Refused) -> None:
        raise refused

    @contextmanager
    def inside(self, procedure: Procedure, scope: Scope, opened: Open) -> Iterator[None]:
        try:
            yield
        except BaseException:
            self._left.append((procedure.finally_, scope))
            raise

    async def simple(self, step: Step, opened: Open, scope: Scope) -> Scope:
        step = resolve(step, scope)
        args = step.args
        while True:
            await self._gate.passable()
            while await self._asks_first(step.verb, args, scope):
                await self._gate.passable()  # it may have been paused before the answer, and the set-up changed
            order = self._order(step.verb, scope)
            try:
                if isinstance(step, AskStep):
                    return await self._ask(step, scope)
                verb = STEPS[step.verb]
                args = verb.settled(args, await verb.now(args, order))
                if verb.moves(args):
                    self._run.stands_um = None
                await verb.in_run(args, order)
                return scope
            except Stopped:
                # A stop has paused the run: the step is begun again once somebody resumes. Moves are absolute by now.
                if not self._gate.closed:
                    raise
            except DeviceError as error:
                # The same stop may have dropped what was on its way to another device, as a level that waits is.
                if error.code != "busy" or not self._gate.closed or self._bench.carriage.stops == order.since:
                    raise

    def _order(self, verb: str, scope: Scope) -> InRun:
        return InRun(
            self._bench,
            self._run.user,
            self._bench.carriage.stops,
            self._run,
            self._gate,
            self._prompts,
            lambda share: self._told(None, verb, share),
            scope.prompt,
        )

    async def _ask(self, step: AskStep, scope: Scope) -> Scope:
        args, run = step.ask, self._run
        glass = glass_question(run, self._bench) if args.kind == "confirm" else None
        prompt = args.prompt if glass is None else f"{glass.text} {args.prompt}"
        text = with_findings(prompt, run, self._bench)
        answer = await self._prompts.ask(args.name, args.kind, text, args.choices, args.unit)
        run.unseen.clear()
        if glass is not None:
            glass.yes(run)
        return scope if args.save is None else scope.with_value(args.save, answer, args.kind)

    async def _asks_first(self, name: str, args: Any, scope: Scope) -> bool:
        """Whether something had to be asked before the step; answered by now. Raises Refused for a no."""
        verb = STEPS.get(name)
        glass = glass_question(self._run, self._bench) if verb is not None and verb.measures else None
        if glass is None:
            return verb is not None and verb.moves(args) and await self._asks_about_rear(verb, args, scope)
        if await self._prompts.ask("glass_meant", "yes_no", scope.prompt(glass.text)) is not True:
            raise glass.no()
        glass.yes(self._run)
        return True

    async def _asks_about_rear(self, verb: Verb[Any], args: Any, scope: Scope) -> bool:
        """Before a lens whose rear nobody has measured is met nearer than seen to be clear: a person must have looked.

        Asked of the set-up as the step makes it, before it does.
        """
        setup = self._bench.setup
        document = verb.set_up(args, setup)
        limit = setup.clearance_of(document)
        if limit.question is None:
            return False
        asked = rear_asked(PredictedBench(await view_of(self._bench)), verb, args)
        if asked is None:
            return False
        if await self._prompts.ask("rear_clear", "yes_no", scope.prompt(asked.text)) is not True:
            raise Refused("clearance", "Not seen to be clear, so nothing moves.", advice=limit.advice)
        setup.confirm_rear(document, asked.depth_um)
        return True
