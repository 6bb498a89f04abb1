"""Put a calibration out of force, as what it was found of is about to be changed."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from benchd.verbs.arguments import Args, Code
from benchd.verbs.entry import Entry
from benchd.verbs.foreseen import OpenArgs
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.bench.bench import Bench
    from benchd.records.values import Calibration
    from benchd.verbs.order import Order
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import BenchView


class WithdrawArgs(Args):
    """The artefact whose calibration no longer holds; where none is in force nothing is done."""

    artefact: Code


class Withdraw(Verb[WithdrawArgs]):
    """A step only: of a procedure that moves what it calibrates, before it does. The record keeps what was in force."""

    name = "withdraw"
    does = "Put a calibration out of force, as what it is of is about to be changed."
    args = step = WithdrawArgs
    offered = False

    def effect(self, args: WithdrawArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        if open_args or args.artefact in predicted.view.calibrations:
            predicted.state.mark_known(stale=True)
            predicted.count_setup_change()
        return super().effect(args, predicted, open_args)

    def still(self, args: WithdrawArgs, view: BenchView) -> Entry:
        nothing = "" if args.artefact in view.calibrations else ": nothing to do, none is in force"
        return Entry(self.name, f"the calibration of {args.artefact}{nothing}")

    async def carry_out(self, args: WithdrawArgs, order: Order) -> dict[str, Any]:
        from benchd.records.values import Calibration

        bench = order.bench
        row = (await bench.store.calibrations_in_force(bench.clock.utc())).get(args.artefact)
        if row is None:
            return {}
        out = Calibration("", row.artefact, None, None, row.unit, None, None, (), None, None, order.user, "")
        # As with `accept` a cancellation must not leave chain and record apart.
        await asyncio.shield(_put_out_of_force(bench, out))
        bench.events.tell(
            "withdrawn",
            f"The calibration of {row.artefact} ({row.calibration}) counts no more.",
            data={"artefact": row.artefact, "calibration": row.calibration},
        )
        return {}


async def _put_out_of_force(bench: Bench, out: Calibration) -> None:
    await bench.store.add_calibrations([out])
    await bench.setup.rebuild_chain()
