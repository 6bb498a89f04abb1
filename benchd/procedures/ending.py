"""The end of a run, however it ended: its `finally`, and its end in the record.

Lights are always switched off, also those of called procedures that were interrupted. After a stop that was not
resumed, or after a device's surprise, the carriage is to stay where it is: then no step of `finally` moves.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import suppress

import structlog

from benchd.bench.bench import Bench
from benchd.bench.jobs import Stopped
from benchd.bench.run_record import RunRecord
from benchd.errors import BenchdError
from benchd.procedures.language import Procedure
from benchd.procedures.run_states import Outcome, RunState
from benchd.procedures.scope import Scope
from benchd.procedures.step_executor import StepExecutor
from benchd.procedures.steps import Step, can_move, safe_steps

FINALLY_S = 30.0
_log = structlog.get_logger("benchd.run")


class Ending:
    """Carries out the end of one run after another."""

    def __init__(self, bench: Bench, executor: StepExecutor, state: RunState) -> None:
        self._bench = bench
        self._executor = executor
        self._state = state

    async def carry_out(self, procedure: Procedure, scope: Scope, run: RunRecord, outcome: Outcome) -> None:
        """Carry out its `finally`, then write its end into the record."""
        await self._finish_interrupted_calls(run)
        for step in procedure.finally_:
            if self._may_move() or not can_move(step):
                scope = await self._steps((step,), scope, run)
            if can_move(step) and not self._may_move():
                scope = await self._steps(safe_steps((step,)), scope, run)
        await self._finish_interrupted_calls(run)  # of procedures called in `finally` itself and interrupted
        with suppress(BenchdError):  # a run must end even if the record cannot be written
            await self._bench.store.end_run(run.id, outcome)
        self._bench.setup.drop_other_confirmations()  # those for parts that were never fitted hold for no later run

    async def _finish_interrupted_calls(self, run: RunRecord) -> None:
        """Carry out the `finally` of called procedures that were interrupted, without any motion."""
        for steps, scope in self._executor.take_interrupted_calls():
            for step in steps:
                await self._steps(safe_steps((step,)) if can_move(step) else (step,), scope, run)

    def _may_move(self) -> bool:
        return self._bench.trust.homed and self._state.may_move

    async def _steps(self, steps: Sequence[Step], scope: Scope, run: RunRecord) -> Scope:
        """Carry out steps; a failure is logged, so that the steps after it still run."""
        try:
            async with asyncio.timeout(FINALLY_S):
                return await self._executor.steps(steps, scope, run, self._state.gate)
        except (BenchdError, Stopped, TimeoutError) as error:
            _log.warning("a step of 'finally' failed", run=run.id, step=steps[0].verb, why=str(error) or repr(error))
        except Exception:  # noqa: BLE001  whatever goes wrong here, the run has to end
            _log.exception("a step of 'finally' failed", run=run.id, step=steps[0].verb)
        return scope
