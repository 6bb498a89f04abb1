"""Wait, for a lamp or a temperature to settle."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from benchd.verbs.arguments import Args
from benchd.verbs.entry import Entry
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Order
    from benchd.verbs.view import BenchView


class WaitArgs(Args):
    """How long."""

    for_s: float = Field(ge=0.0, le=36_000.0)


class Wait(Verb[WaitArgs]):
    """A step only: a client can wait by itself."""

    name = "wait"
    does = "Wait, for a lamp or a temperature to settle."
    args = step = WaitArgs
    offered = False

    def still(self, args: WaitArgs, view: BenchView) -> Entry:
        return Entry("wait", f"{args.for_s:g} s", args.for_s)

    async def carry_out(self, args: WaitArgs, order: Order) -> dict[str, Any]:
        await order.bench.clock.sleep(args.for_s)
        return {}
