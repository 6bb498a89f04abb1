"""Put a calibration out of force: it was wrong, or what it was found of is another now or about to be changed."""

from __future__ import annotations

import asyncio
from collections.abc import Collection
from typing import TYPE_CHECKING, Any

from benchd.errors import Refused
from benchd.files.wording import near_names
from benchd.verbs.arguments import Args, Code, Text
from benchd.verbs.entry import Entry
from benchd.verbs.foreseen import OpenArgs
from benchd.verbs.result import Result
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.bench.bench import Bench
    from benchd.records.values import Calibration
    from benchd.verbs.order import Command, InRun, Order
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import BenchView


class WithdrawArgs(Args):
    """The artefact whose calibration no longer holds, and why: both stay in the record, with who and when."""

    artefact: Code
    why: Text


class WithdrawStepArgs(Args):
    """The same, before a procedure moves what it calibrates; where none is in force nothing is done."""

    artefact: Code
    why: Text | None = None


class Withdrawn(Result):
    """The calibration that counts no more."""

    calibration: str


class Withdraw(Verb[WithdrawArgs | WithdrawStepArgs]):
    """It changes the chain, so the carriage position is stale afterwards. The record keeps what was in force."""

    name = "withdraw"
    does = "Put a calibration out of force."
    args = WithdrawArgs
    step = WithdrawStepArgs
    result = Withdrawn
    role = "keep"

    def check(self, args: WithdrawArgs | WithdrawStepArgs, view: BenchView, open_args: OpenArgs) -> None:
        """Refuse an artefact that this bench does not know; one that has none in force is no fault of a procedure."""
        if "artefact" in open_args or args.artefact in view.calibrations or view.counts_with(args.artefact):
            return
        text = f"'{args.artefact}' is nothing that can be calibrated on this bench."
        raise none_in_force(args.artefact, view.calibrations, text)

    def effect(self, args: WithdrawArgs | WithdrawStepArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        if open_args or args.artefact in predicted.view.calibrations:
            predicted.state.mark_known(stale=True)
            predicted.count_setup_change()
        return super().effect(args, predicted, open_args)

    def still(self, args: WithdrawArgs | WithdrawStepArgs, view: BenchView) -> Entry:
        nothing = "" if args.artefact in view.calibrations else ": nothing to do, none is in force"
        return Entry(self.name, f"the calibration of {args.artefact}{nothing}")

    async def command(self, args: WithdrawArgs | WithdrawStepArgs, order: Command) -> dict[str, Any]:
        order.bench.jobs.check_free()  # the chain must not change under a sweep
        with order.bench.jobs.none_begins("a calibration that is withdrawn"):
            row = await _in_force(order.bench, args.artefact)
            if row is None:
                raise none_in_force(args.artefact, order.bench.setup.calibrated_artefacts)
            return await self._withdraw(row, str(args.why), order)

    async def in_run(self, args: WithdrawArgs | WithdrawStepArgs, order: InRun) -> None:
        row = await _in_force(order.bench, args.artefact)
        if row is not None:
            await self._withdraw(row, args.why or f"{order.run.procedure} ({order.run.id}) changes it", order)

    async def _withdraw(self, row: Calibration, why: str, order: Order) -> dict[str, Any]:
        from benchd.records.values import Calibration

        bench, user = order.bench, order.user
        out = Calibration("", row.artefact, None, None, row.unit, None, None, (), None, None, user, "", why)
        # As with `accept` a cancellation must not leave chain and record apart.
        await asyncio.shield(_put_out_of_force(bench, out))
        bench.events.tell(
            "withdrawn",
            f"The calibration of {row.artefact} ({row.calibration}) counts no more, by {user}: {why.rstrip('.')}.",
            data={"artefact": row.artefact, "calibration": row.calibration, "why": why, "by": user},
        )
        return {"calibration": row.calibration}


def none_in_force(artefact: str, in_force: Collection[str], text: str = "") -> Refused:
    """The refusal of an artefact without a calibration in force; it names those that have one."""
    names = sorted(in_force)
    near = near_names(artefact, names, 1)
    suggestion = f"Did you mean '{near[0]}'? " if near else ""
    text = text or f"No calibration of '{artefact}' is in force."
    return Refused(
        "unknown_name", text, advice=f"{suggestion}In force: {', '.join(names) or 'none'}.", data={"in_force": names}
    )


async def _in_force(bench: Bench, artefact: str) -> Calibration | None:
    return (await bench.store.calibrations_in_force(bench.clock.utc())).get(artefact)


async def _put_out_of_force(bench: Bench, out: Calibration) -> None:
    await bench.store.add_calibrations([out])
    await bench.setup.rebuild_chain()
