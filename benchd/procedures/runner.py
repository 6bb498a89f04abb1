"""Runs a procedure step by step; it can be paused, resumed and aborted at any step and inside a sweep.

A stop pauses the run; `resume` needs a trusted position and goes to nominal first, then to where the run last moved.
Loss of trust ends it. `finally` always switches its lights off; it moves only if the run was not stopped since it began
or was resumed, and only on a trusted position. The table of `run_states` says which event is allowed when.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any, Literal

from benchd.bench.bench import Bench
from benchd.bench.jobs import Occupied, Stopped
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep.sweep_data import SweepOrder
from benchd.bench.time_table import TimeTable, begin
from benchd.errors import BenchdError, Refused
from benchd.files.wording import READ_AS_THEY_CHANGE
from benchd.procedures.allowed import Need, anybody_may, require_roles
from benchd.procedures.ending import Ending
from benchd.procedures.inputs import LEFT_OUT, parse_inputs
from benchd.procedures.language import SWEEP_EXPECTED, Procedure, sweep_procedure
from benchd.procedures.library import Library
from benchd.procedures.progress import Expected, Progress, expected
from benchd.procedures.prompts import Prompts
from benchd.procedures.record_facts import texts_of
from benchd.procedures.return_motion import Return, ReturnMotion
from benchd.procedures.run_states import OUTCOMES, RunState, State
from benchd.procedures.scope import Scope
from benchd.procedures.step_executor import StepExecutor

HOW_TO_FREE: dict[State, str] = {
    "running": "Wait until it has ended, or abort it.",
    "asking": "Answer its question, or abort it.",
    "paused": "Resume or abort it.",
}
"""How to free the bench of a run: waiting does not end one that is paused or asks, and a stop only pauses it."""


class Aborted(Stopped):
    """A user aborted the run."""

    how = "aborted"


class Runner:
    """One run at a time, in the bench's one job slot. `need` looks at the role of who begins one."""

    def __init__(self, bench: Bench, library: Library, need: Need = anybody_may) -> None:
        self._bench = bench
        self._library = library
        self._need = need
        self.prompts = Prompts(bench, self._asked)
        self._executor = StepExecutor(bench, library, self.prompts)
        self._state = RunState(self._publish, self._pause_with_error)
        bench.carriage.may_begin = lambda: self._state.may_move
        self._run: RunRecord | None = None
        self._procedure: str | None = None
        self._progress = Progress(bench.clock, [])
        self._return_motion = ReturnMotion(bench)
        self._aborting: asyncio.Task[None] | None = None
        self._aborted_by: str | None = None
        self._ending = Ending(bench, self._executor, self._state)
        self._unhomed_at: int | None = None  # count of homings when an unhomed run began; None if it began homed
        self._publish()

    @property
    def user(self) -> str | None:
        """The user whose run is under way."""
        return self._run.user if self._run else None

    @property
    def asks(self) -> bool:
        """Whether a run waits for an answer, and nothing of it moves."""
        return self._state.phase == "asking"

    # Starting

    async def start(self, name: str, given: Mapping[str, Any], user: str, cause: str | None) -> str:
        """Check and begin a procedure; gives the run's id.

        Raises Refused: unknown_name, not_allowed (a step), bad_request (inputs), uncalibrated, busy, interlock.
        """
        stops = self._bench.carriage.stops
        self._bench.jobs.check_free()
        self._bench.interlock.require()
        await self._bench.records.catch_up()
        await self._bench.setup.refresh()
        file = self._library[name]
        require_roles(file.procedure, self._library.procedures, user, self._need)
        values = parse_inputs(file.procedure.inputs, given, self._executor.known(), READ_AS_THEY_CHANGE)
        plan = await self._executor.plan(file.procedure, values)
        plan.require_possible()
        scope = self._executor.scope(file.procedure, values)
        return await self._begin(file.procedure, file.text_sha, values, scope, expected(plan), user, cause, stops)

    async def sweep(self, order: SweepOrder, user: str, cause: str | None, stops: int) -> str:
        """A sweep by itself, run and recorded as a procedure of two steps: sweep, assess.

        `stops` is the number of stops when it was requested.
        """
        return await self._begin(sweep_procedure(order), "", {}, Scope(), SWEEP_EXPECTED, user, cause, stops)

    async def dry_run(self, name: str, given: Mapping[str, Any], user: str | None = None) -> dict[str, Any]:
        """The plan of a run, as JSON; what the `user` may not do is one of its problems. Raises Refused as `start`."""
        await self._bench.records.catch_up()
        file = self._library[name]
        values = parse_inputs(file.procedure.inputs, given, self._executor.known(), READ_AS_THEY_CHANGE)
        plan = (await self._executor.plan(file.procedure, values)).as_json()
        try:
            if user is not None:
                require_roles(file.procedure, self._library.procedures, user, self._need)
        except Refused as refused:
            plan["problems"] = [refused.text, *plan["problems"]]
        return plan

    async def _begin(
        self,
        procedure: Procedure,
        sha: str,
        values: Mapping[str, Any],
        scope: Scope,
        steps: Expected,
        user: str,
        cause: str | None,
        stops: int,
    ) -> str:
        self._bench.jobs.check_free()
        setup = self._bench.setup.document
        run = RunRecord("", procedure.procedure, user)
        work = asyncio.Event()
        # The job slot is taken before the record is written, so that two starts cannot both find it free.
        job = self._bench.jobs.start("run", lambda: self._run_job(procedure, scope, run, work), cause, self._occupied)
        values = {name: value for name, value in values.items() if value is not LEFT_OUT}
        self._bench.used_by_run = texts_of(procedure, self._library, values)
        try:
            lens = values.get("lens") or setup.lens
            run.id = await self._bench.store.add_run(
                procedure.procedure,
                text_sha=sha,
                inputs=values,
                setup=setup.rev,
                lens=lens,
                job=setup.job,
                user=user,
            )
        except BaseException as error:
            await self._bench.jobs.cancel(error, job=job)
            raise
        job.about |= {"run": run.id, "procedure": procedure.procedure}
        if job.task.done() or self._bench.carriage.stops != stops:
            await self._bench.jobs.cancel(Stopped(self._bench.carriage.stopped_by), job=job)
            await self._bench.store.end_run(run.id, "failed")
            raise Refused("not_allowed", f"A stop came before {run.id} had begun.", advice="Start it again.")
        self._run, self._procedure = run, procedure.procedure
        trust = self._bench.trust
        self._unhomed_at = None if trust.homed else trust.gains
        self._progress = Progress(self._bench.clock, steps)
        self._aborted_by = None
        self._state.handle("begin")
        self._bench.barrel.take(run.id, "the begin")
        work.set()
        return run.id

    # The run itself

    async def _run_job(
        self, procedure: Procedure, scope: Scope, run: RunRecord, ready: asyncio.Event
    ) -> dict[str, Any]:
        times = TimeTable(self._bench.clock)
        begin(times)
        try:
            await ready.wait()
            await self._executor.top(procedure.steps, scope, run, self._state.gate, self._step)
            await self._state.gate.passable()  # if paused in the last step: `finally` may move too
            self._state.handle("steps_done")
            if self._state.phase != "finishing":
                aborted = self._state.phase == "aborting"
                raise Aborted(self._aborted_by) if aborted else Stopped(self._bench.carriage.stopped_by)
        except BaseException:
            if ready.is_set() and self._state.phase != "finishing":
                self._state.handle("broken_off")
            raise
        finally:
            if ready.is_set():
                self._bench.jobs.ending()
                await self._end(procedure, scope, run, times)
        return {"run": run.id, "procedure": procedure.procedure}

    async def _end(self, procedure: Procedure, scope: Scope, run: RunRecord, times: TimeTable) -> None:
        self._bench.barrel.take(run.id, "the end")
        try:
            await self._return_motion.cancel_and_wait()
            await self._ending.carry_out(procedure, scope, run, OUTCOMES[self._state.phase])
            doc = times.as_json()
            self._bench.events.tell("times", f"{run.id} took {doc['total_s']:.1f} s.", data={"run": run.id, **doc})
        finally:
            self._state.handle("ended")
            self._run = None

    def _pause_with_error(self, error: BenchdError) -> None:
        """Pause the run, which cannot continue until a person has fixed the cause, and publish the error.

        Raises `error` if the run is ending already.
        """
        try:
            self._state.handle(self._pause_event())
        except Refused:
            raise error from None
        self._bench.events.error(error)

    def _pause_event(self) -> Literal["pause", "pause_moving"]:
        return "pause" if self._bench.motion == "idle" else "pause_moving"

    def _step(self, index: int | None, verb: str, share: float) -> None:
        self._progress.at(index, verb, share)
        self._publish()

    # Steering

    def pause(self, run: str, user: str) -> None:
        """Wait at the next step or sweep point; the run is paused once the motion under way has ended.

        Raises Refused (unknown_name; bad_request for a run that is ending).
        """
        self._require(run)
        self._state.handle(self._pause_event(), run)
        self._return_motion.cancel()
        self._bench.events.tell("paused", f"{run}: {user} asked for a pause.", data={"run": run, "user": user})

    def resume(self, run: str, user: str) -> None:
        """Go to nominal, then continue. Raises Refused (unknown_name, bad_request, not_homed, interlock).

        A run that began unhomed and has not homed yet relies on no position: it continues without a return motion.
        """
        record = self._require(run)
        self._bench.interlock.require()
        if self._state.phase == "paused" and self._bench.trust.gains != self._unhomed_at:
            self._bench.trust.require()
        self._state.handle("resume", run)
        if self._state.phase == "returning":
            self._return_motion.begin(
                Return(
                    record,
                    self._state.gate,
                    asking=lambda: self.prompts.open is not None,
                    then=self._go_on,
                    failed=lambda: self._state.handle("not_back"),
                )
            )
        self._bench.events.tell("resumed", f"{run} was resumed by {user}.", data={"run": run, "user": user})

    def _go_on(self) -> None:
        self._state.handle("back")
        if self.prompts.open:
            self._state.handle("asked")

    async def abort(self, run: str, user: str) -> None:
        """End the run; `finally` runs, and the end is an event.

        Raises Refused: unknown_name; bad_request if it is ending by itself. A second abort is not refused.
        """
        self._require(run)
        before = self._state.phase
        self._state.handle("abort", run)
        if self._state.phase != before:
            self._return_motion.cancel()
            self._aborted_by = user
            self._aborting = asyncio.create_task(self._bench.jobs.cancel(Aborted(user)), name="abort")

    async def close(self, within_s: float) -> None:
        """The daemon ends: abort a run under way and carry out its `finally`, for at most `within_s`."""
        self._state.handle("close")
        await self._bench.jobs.cancel(Aborted(), within_s=within_s)

    async def stop(self, user: str) -> None:
        """Stop everything that moves; a run under way is paused, any other job ends."""
        stopping = asyncio.ensure_future(self._bench.stop(user))
        job = None
        if self._run is None:
            job = self._bench.jobs.set_reason(Stopped(user))
        else:
            self._state.handle("stop_homing" if self._bench.motion == "homing" else "stop")
            self._return_motion.cancel()
        try:
            await stopping
        finally:
            if job is not None:
                await self._bench.jobs.cancel(Stopped(user), job=job)
            self._bench.events.tell("stopped", f"Stopped by {user}.", severity="warning", data={"user": user})

    def answer(self, ask: str, value: Any, user: str) -> Any:
        """Hand in an answer to the open question. Raises Refused (not_found, bad_request)."""
        return self.prompts.answer(ask, value, user)

    def _require(self, run: str) -> RunRecord:
        current = self._run.id if self._run else None
        if self._run is None or run != current:
            under_way = f"Under way is {current}." if current else "No run is under way."
            raise Refused("unknown_name", f"{run} is not under way.", advice=under_way, data={"run": current})
        return self._run

    # State

    def _occupied(self) -> Occupied:
        if self._run is None:  # it has no id from the record yet
            return Occupied("a run that begins", "Wait until it has ended.", {})
        run, state = self._run.id, self._published_state()
        advice = HOW_TO_FREE.get(state, "Wait until it has ended.")
        return Occupied(f"run {run}, which is {state}", advice, {"run": run, "state": state})

    def _asked(self) -> None:
        if self._run is not None and self._state.phase == "asking" and not self.prompts.open:
            self._bench.barrel.take(self._run.id, "an answer")
        self._state.handle("asked" if self.prompts.open else "answered")

    def _published_state(self) -> State:
        return self._state.published(asks=self.prompts.open is not None)

    def _publish(self) -> None:
        run, state = self._run.id if self._run else None, self._published_state()
        doc = {"run": run, "procedure": self._procedure, "state": state}
        self._progress.waiting(state in ("asking", "paused"))
        self._bench.notices.put("procedure", {**doc, **self._progress.as_json(state), "ask": self.prompts.open})
