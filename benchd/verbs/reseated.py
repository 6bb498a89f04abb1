"""Count a seating of the lens: it has been taken off and put back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.verbs.arguments import Args, Text
from benchd.verbs.entry import Entry
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.verbs.foreseen import OpenArgs
    from benchd.verbs.order import InRun
    from benchd.verbs.predicted_bench import PredictedBench


class ReseatedArgs(Args):
    """Who did it, where that counts."""

    by: Text | None = None


class Reseated(Verb[ReseatedArgs]):
    """A step only, after the question that asked for it: the sweeps from here on are of another seating.

    Every mated pair comes to rest a little otherwise each time. Sweeps of different seatings have different peaks, and
    are never taken for passes over the same one.
    """

    name = "reseated"
    does = "Count another seating of the lens: it was taken off and put back."
    args = step = ReseatedArgs
    offered = False

    def effect(self, args: ReseatedArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        from benchd.verbs.predicted_bench import SEATED_BY

        predicted.state.mark_known(last_sweep=None, seated_by=args.by)
        if "by" in open_args:
            predicted.state.mark_unknown(SEATED_BY, open_args["by"])
        return super().effect(args, predicted, open_args)

    async def in_run(self, args: ReseatedArgs, order: InRun) -> None:
        order.run.seating += 1
        order.run.seated_by = args.by
