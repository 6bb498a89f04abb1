"""Move by hand, as long as somebody holds on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from benchd.errors import BenchdError
from benchd.verbs.arguments import Args, Name
from benchd.verbs.result import Result
from benchd.verbs.verb import CARRIAGE, Need, Verb

if TYPE_CHECKING:
    from benchd.bench.holds import Hold
    from benchd.verbs.order import Command, Order


class JogArgs(Args):
    """Sent again every 100 ms while it is held; `speed_um_s` 0 lets go, and so does sending nothing for 300 ms.

    `speed_um_s` is signed as the carriage counts. `hold` is a name that the client makes anew each time somebody takes
    hold: one that has ended or lapsed never moves anything again. `seq` rises with each message of a hold, so that one
    that was overtaken on its way counts for nothing.
    """

    axis: Name = CARRIAGE
    speed_um_s: float
    hold: Annotated[str, Field(min_length=1, max_length=64)]
    seq: Annotated[int, Field(ge=0)]


class Held(Result):
    """What was heard."""

    held: bool
    """Whether it is held on now; false where this message has let it go, or it was let go before it began."""


class Jog(Verb[JogArgs]):
    """The first message of a hold begins a job, which ends with it; the others say that somebody still holds on."""

    name = "jog"
    does = "Move by hand, as long as somebody holds on."
    args = JogArgs
    result = Held
    control = beat = Need("to move", lambda args: args.speed_um_s != 0.0)
    use = "drive"
    at_once = True
    beat_within_s = 1.5  # a burst of messages that was held up on its way for longer is nobody's hand any more

    def named(self, args: JogArgs) -> Mapping[str, Sequence[str]]:
        return {"axis": (args.axis,)}

    def moves(self, args: JogArgs) -> bool:
        return True

    async def command(self, args: JogArgs, order: Command) -> dict[str, Any]:
        bench = order.bench
        if args.speed_um_s:  # to let go is always heard
            bench.check_jog(args.axis, args.speed_um_s)
        hold, first = bench.carriage.holds.heard(order.user, args.hold, args.seq, args.speed_um_s)
        if first and hold.end is None:
            try:
                bench.interlock.require()
                bench.jobs.start(self.name, lambda: self._while_held(hold, order), order.ident)
            except BenchdError:
                bench.carriage.holds.over(hold)
                raise
        return {"held": hold.end is None}

    async def _while_held(self, hold: Hold, order: Order) -> dict[str, Any]:
        try:
            await order.bench.records.catch_up()  # clearance stands in them
            jogged = await order.bench.jog(hold, since=order.since)
        finally:
            order.bench.carriage.holds.over(hold)
        return {
            "hold": hold.name,
            "ended": hold.end,
            "carriage_um": round(jogged.carriage_um, 1),
            "overshoot_um": round(jogged.overshoot_um, 1),
        }
