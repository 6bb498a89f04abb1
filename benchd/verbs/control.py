"""Take control of the bench, and give it up."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchd.verbs.arguments import Args, Name
from benchd.verbs.result import Result
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Command


class TakeArgs(Args):
    """`force` takes control from its holder."""

    force: bool = False


class ReleaseArgs(Args):
    """`to` hands control over; `force` releases what another holds."""

    force: bool = False
    to: Name | None = None


class Holder(Result):
    """Who holds control now."""

    holder: str | None


class Take(Verb[TakeArgs]):
    """One user holds control at a time."""

    name = "take"
    does = "Take control."
    args = TakeArgs
    result = Holder

    async def command(self, args: TakeArgs, order: Command) -> dict[str, Any]:
        order.lease.take(order.user, force=args.force)
        return {"holder": order.lease.holder}


class Release(Verb[ReleaseArgs]):
    """Only a user with the role `keep` may release what another holds, by force."""

    name = "release"
    does = "Give control up, or hand it over."
    args = ReleaseArgs
    result = Holder

    async def command(self, args: ReleaseArgs, order: Command) -> dict[str, Any]:
        order.lease.release(order.user, to=args.to, force=args.force)
        return {"holder": order.lease.holder}
