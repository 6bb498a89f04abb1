"""Go where the chain says, trim included."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from benchd.verbs.arguments import Nothing
from benchd.verbs.entry import Entry
from benchd.verbs.foreseen import OpenArgs
from benchd.verbs.result import Target
from benchd.verbs.verb import ALWAYS, CARRIAGE, Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Order
    from benchd.verbs.predicted_bench import PredictedBench


class Nominal(Verb[Nothing]):
    """The position is computed again when the move begins: another calibration may have come into force, and what
    sensors tell enters. Rings that an axis turns go first to where the set-up says that they are."""

    name = "nominal"
    does = "Go where the chain says, trim included."
    args = step = Nothing
    result = Target
    control = beat = ALWAYS

    def uses(self, args: Nothing) -> Sequence[str]:
        return (CARRIAGE,)

    def moves(self, args: Nothing) -> bool:
        return True

    def effect(self, args: Nothing, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        from benchd.verbs.turning import and_rings

        return and_rings(predicted, lambda: predicted.drive_to_nominal("nominal", "where the chain says"))

    def begun(self, entry: Entry) -> dict[str, Any]:
        return {"carriage_um": round(entry.to_um or 0.0, 1)}

    async def carry_out(self, args: Nothing, order: Order) -> dict[str, Any]:
        await order.bench.go_where_set_up(since=order.since)
        return {}
