"""Start a procedure, or say what it would do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import Field

from benchd.verbs.arguments import Args, Name
from benchd.verbs.entry import Entry
from benchd.verbs.result import Result, Started
from benchd.verbs.verb import Need, Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Command


class RunArgs(Args):
    """Start a procedure; with `dry` only say what it would do."""

    procedure: Name
    inputs: dict[str, Any] = Field(default_factory=dict)
    dry: bool = False


class DryRun(Result):
    """What a run would do, the person's time left out; nothing has moved."""

    procedure: str
    seconds: float
    """What is expected in any case."""
    seconds_at_most: float
    """With every branch taken, and with the longest search for a focus that is not where it should be."""
    asks: list[str]
    problems: list[str]
    """What would be refused, or might be: then it says what that depends on."""
    entries: list[Entry]


IN_EARNEST = Need("unless `dry`", lambda args: not args.dry)


class Run(Verb[RunArgs]):
    """It is refused as a whole if any of its steps would certainly be refused."""

    name = "run"
    does = "Start a procedure."
    args = RunArgs
    result = Started | DryRun
    control = beat = IN_EARNEST
    begins = True

    async def command(self, args: RunArgs, order: Command) -> dict[str, Any]:
        if args.dry:
            return await order.runs.dry_run(args.procedure, args.inputs, order.user)
        return {"run": await order.runs.start(args.procedure, args.inputs, order.user, order.ident)}
