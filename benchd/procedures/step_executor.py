"""The back end that carries out the steps of a run, waiting at the run's gate before each."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
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
from benchd.procedures.scope import Scope, Turn, holds, resolve, resolved_until, turns_by_count, turns_over_values
from benchd.procedures.steps import AskStep, CallStep, ForStep, IfStep, RepeatStep, Step
from benchd.procedures.walker import Steps, Walker, scope_of
from benchd.verbs.foreseen import OpenArgs
from benchd.verbs.kept_reading import keep_answer
from benchd.verbs.order import InRun
from benchd.verbs.predicted_bench import PredictedBench
from benchd.verbs.rear_clearance import rear_question_before
from benchd.verbs.table import STEPS
from benchd.verbs.verb import Verb
from benchd.verbs.view import BenchView
from benchd.verbs.view_of_bench import view_bench

ReportProgress = Callable[[int | None, str, float], None]
"""Called with a step's index if it is a top-level one, its verb, and the share of it that is done."""


class StepExecutor:
    """Carries out the steps of runs, and plans runs; `prompts` puts their questions."""

    def __init__(self, bench: Bench, library: Library, prompts: Prompts) -> None:
        self._bench = bench
        self._library = library
        self._prompts = prompts
        self._interrupted: list[tuple[Steps, Scope]] = []

    # Before a run

    def known(self) -> Known:
        """The ids of all records, by kind."""
        return record_facts.known(self._bench.loaded.records)

    def scope(self, procedure: Procedure, values: Mapping[str, Any]) -> Scope:
        """Values of names at the beginning of a procedure."""
        return scope_of(procedure.inputs, values, self.facts)

    def facts(self, kind: str, name: str) -> Mapping[str, Any]:
        """Figures of a record; a length comes from the calibration in force, if there is one."""
        return record_facts.facts(self._bench.loaded, self._bench.setup.calibration, kind, name)

    async def plan(self, procedure: Procedure, values: Mapping[str, Any]) -> Plan:
        """Dry run of a procedure. Raises Refused if the bench lacks what it needs."""
        view = replace(await view_bench(self._bench), lenses_found=await self._bench.store.lenses_found())
        return dry_run(procedure, values, view, self.facts, self._library.procedures, self.known())

    # The steps

    async def top(
        self, steps: Sequence[Step], scope: Scope, run: RunRecord, gate: Gate, report: ReportProgress
    ) -> Scope:
        """Carry out a procedure's top-level steps; gives the scope with saved answers. What it raises ends the run."""
        return await self._walker(run, gate, report).top(steps, scope)

    async def steps(self, steps: Sequence[Step], scope: Scope, run: RunRecord, gate: Gate) -> Scope:
        """The same for steps of `finally`, without reporting progress."""
        return await self._walker(run, gate, lambda *_: None).steps(steps, scope)

    def _walker(self, run: RunRecord, gate: Gate, report: ReportProgress) -> Walker:
        back = LiveBackEnd(self._bench, self._prompts, run, gate, report, self._interrupted)
        return Walker(back, lambda name: self._library[name].procedure, self.facts, self.known())

    def take_interrupted_calls(self) -> list[tuple[Steps, Scope]]:
        """The `finally` of each called procedure that was interrupted, innermost first; each is given only once."""
        interrupted, self._interrupted[:] = self._interrupted[:], []
        return interrupted


class LiveBackEnd:
    """Carries out the steps of one run; the `finally` of an interrupted call is added to `interrupted`."""

    def __init__(
        self,
        bench: Bench,
        prompts: Prompts,
        run: RunRecord,
        gate: Gate,
        report: ReportProgress,
        interrupted: list[tuple[Steps, Scope]],
    ) -> None:
        self._bench = bench
        self._prompts = prompts
        self._run = run
        self._gate = gate
        self._report = report
        self._interrupted = interrupted

    def open_args(self, step: Step, scope: Scope) -> OpenArgs:
        return {}

    async def view(self) -> BenchView:
        return await view_bench(self._bench, with_place=False)

    def report(self, top: int | None, step: Step, share: float) -> None:
        self._report(top, step.verb, share)

    def branches(self, step: IfStep, scope: Scope) -> Iterator[Steps]:
        condition = resolve(step, scope).args
        yield step.then if holds(condition, self._run.findings, scope) else step.else_

    def turns(self, step: RepeatStep | ForStep, scope: Scope, open_args: OpenArgs) -> Iterator[Turn]:
        yield from turns_over_values(step, scope) if isinstance(step, ForStep) else turns_by_count(step, scope)

    def ends(self, step: RepeatStep, scope: Scope) -> bool:
        until = resolved_until(step, scope)
        return holds(until, self._run.findings, scope)

    def call_refused(self, step: CallStep, refused: Refused) -> None:
        raise refused

    @contextmanager
    def in_called_procedure(self, procedure: Procedure, scope: Scope, open_args: OpenArgs) -> Iterator[None]:
        try:
            yield
        except BaseException:
            self._interrupted.append((procedure.finally_, scope))
            raise

    async def plain_step(self, step: Step, open_args: OpenArgs, scope: Scope) -> Scope:
        step = resolve(step, scope)
        args = step.args
        order = self._order(step.verb, scope)
        while True:
            await self._gate.passable()
            while await self._asks_first(step.verb, args, scope):
                await self._gate.passable()  # the run may have been paused, and the set-up changed, before the answer
            order = replace(order, since=self._bench.carriage.stops)
            try:
                if isinstance(step, AskStep):
                    return await self._ask(step, scope)
                verb = STEPS[step.verb]
                args = verb.settled(args, await verb.now(args, order))
                if verb.moves_carriage(args):
                    self._run.moved_to_um = None
                await verb.in_run(args, order)
                return scope
            except Stopped:
                # A stop has paused the run: the step is repeated after `resume`. Its moves are absolute by now.
                if not self._gate.closed:
                    raise
            except Refused as barred:
                # Hands are in the bench: they come out, and a person resumes. An emergency stop ends the run.
                if barred.code != "interlock" or self._bench.interlock.emergency is not None:
                    raise
                self._gate.hold(barred)
            except DeviceError as error:
                # The same stop may have dropped a command queued for another device, such as a light level.
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
            lambda share: self._report(None, verb, share),
            scope.prompt,
        )

    async def _ask(self, step: AskStep, scope: Scope) -> Scope:
        args, run = step.ask, self._run
        prompt = args.prompt(self._bench.rings.turned)
        if not prompt:  # of what is left to hands on other benches alone
            return scope
        prompt = scope.prompt(prompt)
        glass = glass_question(run, self._bench) if args.kind == "confirm" else None
        text = with_findings(prompt if glass is None else f"{glass.text} {prompt}", run, self._bench)
        answer = await self._prompts.ask(args.name, args.kind, text, args.choices, args.unit, args.bounds())
        run.unreported.clear()
        if glass is not None:
            glass.confirm(run)
        if args.keep is not None:
            await keep_answer(self._bench, run, float(answer), str(args.unit), args.keep)
        return scope if args.save is None else scope.with_value(args.save, answer, args.kind)

    async def _asks_first(self, name: str, args: Any, scope: Scope) -> bool:
        """Whether a question had to be put before the step; it has been answered. Raises Refused after a no."""
        verb = STEPS.get(name)
        glass = glass_question(self._run, self._bench) if verb is not None and verb.measures else None
        if glass is None:
            return verb is not None and verb.moves_carriage(args) and await self._asks_about_rear(verb, args, scope)
        if await self._prompts.ask("glass_meant", "yes_no", scope.prompt(glass.text)) is not True:
            raise glass.refusal()
        glass.confirm(self._run)
        return True

    async def _asks_about_rear(self, verb: Verb[Any], args: Any, scope: Scope) -> bool:
        """Ask a person to confirm rear clearance, if no record gives it and the step goes deeper than confirmed.

        The question is about the set-up that the step will make, and comes before the step. Raises Refused after a no.
        """
        setup = self._bench.setup
        document = verb.set_up(args, setup)
        limit = setup.clearance_of(document)
        if limit.question is None:
            return False
        asked = rear_question_before(PredictedBench(await view_bench(self._bench)), verb, args)
        if asked is None:
            return False
        if await self._prompts.ask("rear_clear", "yes_no", scope.prompt(asked.text)) is not True:
            raise Refused("clearance", "Not seen to be clear, so nothing moves.", advice=limit.advice)
        setup.confirm_rear(document, asked.depth_um)
        return True
