"""Pause, resume or end the run under way."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchd.verbs.arguments import Args, Code
from benchd.verbs.verb import ALWAYS, Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Command


class OfRunArgs(Args):
    """Which run to pause, resume or abort."""

    run: Code


class Pause(Verb[OfRunArgs]):
    """Any user with the role `drive` may pause."""

    name = "pause"
    does = "Wait at the next step of a run, or the next point of its sweep."
    args = OfRunArgs
    at_once = True

    async def command(self, args: OfRunArgs, order: Command) -> dict[str, Any]:
        order.runs.pause(args.run, order.user)
        return {}


class Resume(Verb[OfRunArgs]):
    """It moves, so it needs control."""

    name = "resume"
    does = "Go to nominal, then on with a paused run."
    args = OfRunArgs
    control = beat = ALWAYS
    begins = True

    async def command(self, args: OfRunArgs, order: Command) -> dict[str, Any]:
        order.runs.resume(args.run, order.user)
        return {}


class Abort(Verb[OfRunArgs]):
    """Any user with the role `drive` may end it."""

    name = "abort"
    does = "End a run; its `finally` is carried out."
    args = OfRunArgs
    at_once = begins = True

    async def command(self, args: OfRunArgs, order: Command) -> dict[str, Any]:
        await order.runs.abort(args.run, order.user)
        return {}
