"""How a run ends, whatever ended it: its `finally`, and its end in the record.

Lights are always put out. Who has stopped the run and not resumed it wants it to stand, and so does whoever sees a
surprise: then nothing of `finally` moves.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from typing import Literal

import structlog

from benchd.bench.bench import Bench
from benchd.bench.gate import Gate
from benchd.bench.jobs import Stopped
from benchd.bench.run_record import RunRecord
from benchd.errors import BenchdError
from benchd.procedures.carry_out import CarryOut, can_move, lights_of
from benchd.procedures.language import Procedure
from benchd.procedures.scope import Scope
from benchd.procedures.steps import Step

Outcome = Literal["done", "failed", "aborted"]

FINALLY_S = 30.0
_log = structlog.get_logger("benchd.run")


class Ending:
    """Carries out the end of one run after another."""

    def __init__(self, bench: Bench, carry_out: CarryOut) -> None:
        self._bench = bench
        self._carry_out = carry_out
        self._stops = 0

    def wanted_at(self, stops: int) -> None:
        """Somebody began or resumed the run when there had been so many stops."""
        self._stops = stops

    async def carry_out(self, procedure: Procedure, scope: Scope, run: RunRecord, outcome: Outcome) -> None:
        """Its `finally`, then the record."""
        for step in procedure.finally_:
            if self._may_move() or not can_move(step):
                scope = await self._steps((step,), scope, run)
            if can_move(step) and not self._may_move():
                scope = await self._steps(lights_of((step,)), scope, run)
        with suppress(BenchdError):  # a record that cannot be written keeps no run from ending
            await self._bench.store.end_run(run.id, outcome)
        self._bench.setup.keep_seen()  # what was seen of parts that were never put in holds for no later run

    def _may_move(self) -> bool:
        return self._bench.trust.homed and self._bench.carriage.stops == self._stops

    async def _steps(self, steps: Sequence[Step], scope: Scope, run: RunRecord) -> Scope:
        """Those that fail keep no others from being carried out."""
        try:
            async with asyncio.timeout(FINALLY_S):
                return await self._carry_out.steps(steps, scope, run, Gate(), lambda *_: None)
        except (BenchdError, Stopped, TimeoutError) as error:
            _log.warning("a step of 'finally' failed", run=run.id, step=steps[0].verb, why=str(error) or repr(error))
        except Exception:  # noqa: BLE001  whatever goes wrong here, the run has to end
            _log.exception("a step of 'finally' failed", run=run.id, step=steps[0].verb)
        return scope
