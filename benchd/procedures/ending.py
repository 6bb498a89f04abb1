"""How a run ends, whatever ended it: its `finally`, and its end in the record.

Lights are always put out, those of procedures that were called and broken off as well. Who has stopped the run and not
resumed it wants it to stand, and so does whoever sees a surprise: then nothing of `finally` moves.
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
from benchd.procedures.steps import Step, can_move, makes_safe

FINALLY_S = 30.0
_log = structlog.get_logger("benchd.run")


class Ending:
    """Carries out the end of one run after another."""

    def __init__(self, bench: Bench, carry_out: StepExecutor, state: RunState) -> None:
        self._bench = bench
        self._carry_out = carry_out
        self._state = state

    async def carry_out(self, procedure: Procedure, scope: Scope, run: RunRecord, outcome: Outcome) -> None:
        """Its `finally`, then the record."""
        await self._left_behind(run)
        for step in procedure.finally_:
            if self._may_move() or not can_move(step):
                scope = await self._steps((step,), scope, run)
            if can_move(step) and not self._may_move():
                scope = await self._steps(makes_safe((step,)), scope, run)
        await self._left_behind(run)  # of what was called here and broken off
        with suppress(BenchdError):  # a record that cannot be written keeps no run from ending
            await self._bench.store.end_run(run.id, outcome)
        self._bench.setup.keep_seen()  # what was seen of parts that were never put in holds for no later run

    async def _left_behind(self, run: RunRecord) -> None:
        """The `finally` of what was called and broken off; nothing is moved for it any more."""
        for left, inside in self._carry_out.left_behind():
            for step in left:
                await self._steps(makes_safe((step,)) if can_move(step) else (step,), inside, run)

    def _may_move(self) -> bool:
        return self._bench.trust.homed and self._state.may_move

    async def _steps(self, steps: Sequence[Step], scope: Scope, run: RunRecord) -> Scope:
        """Those that fail keep no others from being carried out."""
        try:
            async with asyncio.timeout(FINALLY_S):
                return await self._carry_out.steps(steps, scope, run, self._state.gate)
        except (BenchdError, Stopped, TimeoutError) as error:
            _log.warning("a step of 'finally' failed", run=run.id, step=steps[0].verb, why=str(error) or repr(error))
        except Exception:  # noqa: BLE001  whatever goes wrong here, the run has to end
            _log.exception("a step of 'finally' failed", run=run.id, step=steps[0].verb)
        return scope
