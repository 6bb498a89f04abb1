"""What each step of a procedure does to the bench, its values put in first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from benchd.bench.assessor import Assessor
from benchd.bench.bench import Bench
from benchd.bench.calibrate import accept
from benchd.bench.change import change_setup
from benchd.bench.gate import Gate
from benchd.bench.jobs import Stopped
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep_data import SweepOrder
from benchd.devices import Camera, DeviceError
from benchd.errors import Refused
from benchd.procedures import of_records
from benchd.procedures import steps as kinds
from benchd.procedures.bench_figures import demand
from benchd.procedures.dry_run import dry_run
from benchd.procedures.figures_of import figures_of
from benchd.procedures.found import with_found
from benchd.procedures.glass_meant import glass_ask
from benchd.procedures.inputs import Known, kind_of, take_all
from benchd.procedures.language import Procedure
from benchd.procedures.library import Library
from benchd.procedures.plan import Plan
from benchd.procedures.prompts import Prompts
from benchd.procedures.read_step import ReadStep
from benchd.procedures.rear_ahead import rear_now
from benchd.procedures.scope import Scope, holds, listed, resolve, times

Told = Callable[[int | None, str, float], None]
"""Told how far the run is: a step's index if it is a top-level one, its verb, and the share of it done."""

DEPTH_OF_CALLS = 8

MOVING = frozenset({"home", "nominal", "move", "sweep", "call"})
"""Steps that move the carriage, whatever their arguments; `setup` moves with `follow`, `read` with `moved_from`."""


def can_move(step: kinds.Step) -> bool:
    """Whether a step, or one it holds, may move anything."""
    return any(_moves(one) for _, one in kinds.walk((step,), ()))


def _moves(step: kinds.Step) -> bool:
    if step.verb == "read":
        return step.args.moved_from is not None  # back, for a gauge that stands wrong
    return step.verb in MOVING or (step.verb == "setup" and bool(step.args.follow))


def lights_of(steps: Sequence[kinds.Step]) -> tuple[kinds.Step, ...]:
    """What sets lights among the steps, in its order and under its conditions; nothing else."""
    found: list[kinds.Step] = []
    for step in steps:
        held = {{"else": "else_"}.get(key, key): lights_of(body) for key, body in kinds.bodies(step)}
        if any(held.values()):
            found.append(step.model_copy(update=held))
        elif step.verb == "light":
            found.append(step)
    return tuple(found)


class CarryOut:
    """Carries out the steps of a run, one after another, waiting at its gate between them."""

    def __init__(self, bench: Bench, assessor: Assessor, library: Library, prompts: Prompts) -> None:
        self._bench = bench
        self._assessor = assessor
        self._library = library
        self._prompts = prompts
        self._read = ReadStep(bench, prompts)
        self._left: list[tuple[Sequence[kinds.Step], Scope]] = []

    # Before a run

    def known(self) -> Known:
        """The ids of all records, by kind."""
        return of_records.known(self._bench.loaded.records)

    def scope(self, procedure: Procedure, values: Mapping[str, Any]) -> Scope:
        """What names stand for at the beginning."""
        kinds_of = {name: kind_of(one) for name, one in procedure.inputs.items()}
        return Scope(dict(values), kinds_of, self.facts)

    def facts(self, kind: str, name: str) -> Mapping[str, Any]:
        """Figures of a record; lengths by the calibration in force where there is one."""
        return of_records.facts(self._bench.loaded, self._bench.setup.calibration, kind, name)

    async def plan(self, procedure: Procedure, values: Mapping[str, Any]) -> Plan:
        """The procedure gone through without moving anything. Raises Refused where the bench lacks what it needs."""
        return dry_run(procedure, values, await figures_of(self._bench), self.facts, self._library.procedures)

    # The steps

    async def steps(
        self, steps: Sequence[kinds.Step], scope: Scope, run: RunRecord, gate: Gate, told: Told, depth: int = 0
    ) -> Scope:
        """Carry out steps in order; gives the scope with what was saved. Raises whatever ends the run."""
        for index, step in enumerate(steps):
            top = index if depth == 0 else None
            told(top, step.verb, 0.0)
            scope = await self._one(step, scope, run, gate, told, depth)
            told(top, step.verb, 1.0)
        return scope

    async def _one(self, step: kinds.Step, scope: Scope, run: RunRecord, gate: Gate, told: Told, depth: int) -> Scope:
        if isinstance(step, kinds.IfStep | kinds.RepeatStep | kinds.ForStep | kinds.CallStep):
            return await self._compound(step, scope, run, gate, told, depth)
        resolved = resolve(step, scope)
        while True:
            await gate.passable()
            while await self._asks_first(resolved, scope, run):
                await gate.passable()  # it may have been paused before the answer, and the set-up changed
            resolved = await self._absolute(resolved)
            stops = self._bench.carriage.stops
            try:
                return await self._simple(resolved, scope, run, gate, told)
            except Stopped:
                # A stop has paused the run: the step is begun again once somebody resumes. Moves are absolute.
                if not gate.closed:
                    raise
            except DeviceError as error:
                # The same stop may have dropped what was on its way to another device, as a level that waits is.
                if error.code != "busy" or not gate.closed or self._bench.carriage.stops == stops:
                    raise

    async def _absolute(self, step: kinds.Step) -> kinds.Step:
        """A step by so many um counts from where it was begun first, also where a stop has it begun again."""
        if not isinstance(step, kinds.MoveStep) or step.move.by_um is None:
            return step
        self._bench.check_axes([str(step.move.axis)])
        target = await self._bench.target_of(by_um=step.args.by_um)
        return step.model_copy(update={"move": step.move.model_copy(update={"by_um": None, "carriage_um": target})})

    async def _asks_first(self, step: kinds.Step, scope: Scope, run: RunRecord) -> bool:
        """Whether something had to be asked before the step; answered by now. Raises Refused for a no."""
        glass = glass_ask(run, self._bench) if isinstance(step, kinds.SweepStep) else None
        if glass is None:
            return await self._asks_about_rear(step, scope)
        if await self._prompts.ask("glass_meant", "yes_no", scope.prompt(glass.text)) is not True:
            raise glass.no()
        glass.yes(run)
        return True

    async def _asks_about_rear(self, step: kinds.Step, scope: Scope) -> bool:
        """Before a lens whose rear nobody has measured is met nearer than seen to be clear: a person must have looked.

        Asked of the set-up as the step makes it, before it does.
        """
        if not can_move(step):
            return False
        setup = self._bench.setup
        document, _ = setup.preview(step.args.changes()) if step.verb == "setup" else (setup.document, None)
        limit = setup.clearance_of(document)
        if limit.question is None:
            return False
        asked = rear_now(await figures_of(self._bench), step)
        if asked is None:
            return False
        if await self._prompts.ask("rear_clear", "yes_no", scope.prompt(asked.text)) is not True:
            raise Refused("clearance", "Not seen to be clear, so nothing moves.", advice=limit.advice)
        setup.confirm_rear(document, asked.depth_um)
        return True

    async def _compound(
        self, step: kinds.Step, scope: Scope, run: RunRecord, gate: Gate, told: Told, depth: int
    ) -> Scope:
        inner = depth + 1
        if isinstance(step, kinds.IfStep):
            condition = resolve(step, scope).args
            body = step.then if holds(condition, run.findings, scope) else step.else_
            return await self.steps(body, scope, run, gate, told, inner)
        if isinstance(step, kinds.RepeatStep):
            around, of = scope.rounds, times(step, scope)
            for number in range(1, of + 1):
                turn = replace(scope, rounds=around).in_round(number, of)
                scope = await self.steps(step.steps, turn, run, gate, told, inner)
            return replace(scope, rounds=around)
        if isinstance(step, kinds.ForStep):
            around = scope.rounds
            for turn in listed(step, scope):
                scope = await self.steps(step.steps, turn, run, gate, told, inner)
            return replace(scope, rounds=around)
        if depth >= DEPTH_OF_CALLS:
            raise Refused("bad_request", f"Procedures call one another more than {DEPTH_OF_CALLS} deep.")
        call = resolve(step, scope).args
        called = self._library[call.procedure].procedure
        demand(called, await figures_of(self._bench))
        values = take_all(called.inputs, call.inputs, self.known())
        inside = replace(self.scope(called, values), rounds=scope.rounds)
        try:
            await self.steps((*called.steps, *called.finally_), inside, run, gate, told, inner)
        except BaseException:
            self._left.append((called.finally_, inside))
            raise
        return scope

    def left_behind(self) -> list[tuple[Sequence[kinds.Step], Scope]]:
        """The `finally` of each called procedure that was broken off, the innermost first; given out once."""
        left, self._left = self._left, []
        return left

    async def _simple(self, step: kinds.Step, scope: Scope, run: RunRecord, gate: Gate, told: Told) -> Scope:
        args = step.args
        if can_move(step):
            run.stands_um = None
        if isinstance(step, kinds.AskStep):
            glass = glass_ask(run, self._bench) if args.kind == "confirm" else None
            prompt = args.prompt if glass is None else f"{glass.text} {args.prompt}"
            text = with_found(prompt, run, self._bench)
            answer = await self._prompts.ask(args.name, args.kind, text, args.choices, args.unit)
            run.unseen.clear()
            if glass is not None:
                glass.yes(run)
            return scope if args.save is None else scope.with_value(args.save, answer, args.kind)
        if isinstance(step, kinds.SweepStep):
            order = SweepOrder(args.about, args.span_um, args.step_um, args.merit, args.lp_mm, args.repeats, args.mode)
            await self._bench.sweep(order, run, gate, lambda done, of: told(None, step.verb, done / of))
        elif isinstance(step, kinds.AssessStep):
            await self._assessor.assess(args.name, run, args.of)
            run.unseen = [*(name for name in run.unseen if name != args.name), args.name]
        elif isinstance(step, kinds.ReadStep):
            await self._read(args, scope, run, gate)
        elif isinstance(step, kinds.AcceptStep):
            await self._accept(args, run)
        elif isinstance(step, kinds.MoveStep):
            run.stands_um = await self._move(args)
        else:
            await self._drive(step, args, run)
        return scope

    async def _drive(self, step: kinds.Step, args: Any, run: RunRecord) -> None:
        """Steps that are what a verb of the same name is."""
        bench = self._bench
        match step.verb:
            case "home":
                await bench.home(list(args.axes), only_if_unhomed=args.only_if_unhomed)
            case "setup":
                await change_setup(bench, args.changes(), follow=args.follow is True)
            case "nominal":
                await bench.nominal()
            case "light":
                await bench.lights.set(
                    args.light, level=args.level, stops_by=args.stops_by, on=args.on, for_s=args.for_s, by=run.user
                )
            case "camera":
                camera = bench.assembly.named(args.camera, Camera)
                await camera.configure(args.exposure_ms or 20.0, args.gain or 1.0)
            case "wait":
                await bench.clock.sleep(args.for_s)
            case verb:
                raise Refused("bad_request", f"A step '{verb}' cannot be carried out.")

    async def _move(self, args: Any) -> float:
        """Gives where to (um)."""
        self._bench.check_axes([args.axis])
        stops = self._bench.carriage.stops
        target = await self._bench.target_of(
            offset_um=args.offset_um, depth_um=args.depth_um, carriage_um=args.carriage_um, by_um=args.by_um
        )
        await self._bench.move_carriage(target, since=stops)
        return target

    async def _accept(self, args: Any, run: RunRecord) -> None:
        finding = run.findings.get(args.finding)
        if finding is None:
            raise Refused("not_found", f"This run has made no finding '{args.finding}'.", advice="Assess first.")
        await accept(self._bench, str(finding["finding"]), days=args.days, by=run.user)
