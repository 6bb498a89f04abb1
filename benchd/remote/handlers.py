"""What each verb does to the bench, once every gate is passed.

Whatever takes time is begun here and ends as an event with the command's id as its cause; what may not begin is
refused before anything moves.
"""

from __future__ import annotations

from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.calibrate import accept as put_in_force
from benchd.bench.change import change_setup, check_change
from benchd.bench.sweep_data import SweepOrder
from benchd.procedures.runner import Runner
from benchd.remote import payloads
from benchd.remote.intake import Handler, Request
from benchd.remote.verbs import VERBS


class BenchHandlers:
    """One method a verb, named like it; `stop`, `take` and `release` are carried out elsewhere."""

    def __init__(self, bench: Bench, runner: Runner) -> None:
        self._bench = bench
        self._runner = runner

    def by_verb(self) -> dict[str, Handler]:
        """The handlers as the intake wants them."""
        return {verb: getattr(self, verb) for verb in VERBS if verb not in ("take", "release")}

    async def home(self, request: Request) -> dict[str, Any]:
        args: payloads.HomeArgs = request.args
        stops = self._bench.carriage.stops  # its beat was good in this very turn: no stop has come since it was asked
        self._bench.check_axes(args.axes)
        self._bench.jobs.check_free()
        if not (args.only_if_unhomed and self._bench.trust.homed):
            self._bench.check_homing()
        self._bench.jobs.start(
            "home", lambda: self._bench.home(args.axes, only_if_unhomed=args.only_if_unhomed, since=stops), request.id
        )
        return {}

    async def nominal(self, request: Request) -> dict[str, Any]:
        stops = self._bench.carriage.stops
        target = self._bench.nominal_target()
        self._bench.check_reach(target)
        self._bench.jobs.start("nominal", lambda: self._bench.nominal(since=stops), request.id)
        return {"carriage_um": round(target, 1)}

    async def move(self, request: Request) -> dict[str, Any]:
        args: payloads.MoveArgs = request.args
        stops = self._bench.carriage.stops
        self._bench.check_axes([args.axis])
        self._bench.jobs.check_free()
        target = await self._bench.target_of(
            offset_um=args.offset_um, depth_um=args.depth_um, carriage_um=args.carriage_um, by_um=args.by_um
        )
        self._bench.check_reach(target)
        self._bench.jobs.start("move", lambda: self._bench.move_carriage(target, since=stops), request.id)
        return {"carriage_um": round(target, 1)}

    async def light(self, request: Request) -> dict[str, Any]:
        args: payloads.LightArgs = request.args
        level = await self._bench.lights.set(
            args.light, level=args.level, stops_by=args.stops_by, on=args.on, for_s=args.for_s, by=request.user
        )
        return {"level": level}

    async def read(self, request: Request) -> dict[str, Any]:
        reading = await self._bench.read(request.args.device)
        return {"value": reading.value, "unit": reading.unit, "t": reading.t_utc, "quality": reading.quality}

    async def setup(self, request: Request) -> dict[str, Any]:
        args: payloads.SetupArgs = request.args
        stops = self._bench.carriage.stops if args.follow else None
        self._bench.jobs.check_free()
        changes = args.set.given()
        if args.follow:
            will_be = await check_change(self._bench, changes, rev=args.rev, follow=True)  # refused at once
            self._bench.jobs.start(
                "setup", lambda: change_setup(self._bench, changes, rev=args.rev, follow=True, since=stops), request.id
            )
            return will_be
        return await change_setup(self._bench, changes, rev=args.rev)

    async def sweep(self, request: Request) -> dict[str, Any]:
        args: payloads.SweepArgs = request.args
        stops = self._bench.carriage.stops
        self._bench.jobs.check_free()  # a calibration that expires must not change the chain under a run
        await self._bench.setup.refresh()
        self._bench.trust.require()
        self._bench.setup.require_driven()
        order = SweepOrder(args.about, args.span_um, args.step_um, args.merit, args.lp_mm, args.repeats, args.mode)
        self._bench.check_order(order)
        return {"run": await self._runner.sweep(order, request.user, request.id, stops)}

    async def run(self, request: Request) -> dict[str, Any]:
        args: payloads.RunArgs = request.args
        if args.dry:
            return await self._runner.dry(args.procedure, args.inputs)
        return {"run": await self._runner.start(args.procedure, args.inputs, request.user, request.id)}

    async def pause(self, request: Request) -> dict[str, Any]:
        self._runner.pause(request.args.run, request.user)
        return {}

    async def resume(self, request: Request) -> dict[str, Any]:
        self._runner.resume(request.args.run, request.user)
        return {}

    async def abort(self, request: Request) -> dict[str, Any]:
        await self._runner.abort(request.args.run, request.user)
        return {}

    async def answer(self, request: Request) -> dict[str, Any]:
        args: payloads.AnswerArgs = request.args
        return {"value": self._runner.prompts.answer(args.ask, args.value, request.user)}

    async def accept(self, request: Request) -> dict[str, Any]:
        args: payloads.AcceptArgs = request.args
        self._bench.jobs.check_free()  # the chain must not change under a sweep
        return {"calibration": await put_in_force(self._bench, args.finding, days=args.days, by=request.user)}

    async def note(self, request: Request) -> dict[str, Any]:
        args: payloads.NoteArgs = request.args
        await self._bench.store.run(args.run)
        self._bench.events.tell("note", args.text, data={"run": args.run, "user": request.user}, cause=request.id)
        return {}
