"""Put a calibration finding in force."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from benchd.errors import Refused
from benchd.verbs.arguments import Args, Code, LiteralOnly
from benchd.verbs.entry import Entry
from benchd.verbs.foreseen import OpenArgs
from benchd.verbs.result import Result
from benchd.verbs.verb import Earlier, Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Command, InRun, Order
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import BenchView


class AcceptArgs(Args):
    """Which finding, and for how many days it counts; null counts without end. In a step the run's own last finding
    of that name."""

    finding: Annotated[Code, LiteralOnly()]
    days: int | None = Field(default=180, ge=1, le=3660)


class InForce(Result):
    """The calibration that was made of the finding."""

    calibration: str


class Accept(Verb[AcceptArgs]):
    """It changes the chain, so the carriage position is stale afterwards."""

    name = "accept"
    does = "Put a calibration finding in force."
    args = step = AcceptArgs
    result = InForce
    role = "keep"

    def goes_by(self, args: AcceptArgs) -> Mapping[str, tuple[Earlier, str]]:
        return {"finding": ("finding", args.finding)}

    def effect(self, args: AcceptArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        predicted.state.mark_known(stale=True)
        predicted.count_setup_change()
        return super().effect(args, predicted, open_args)

    def still(self, args: AcceptArgs, view: BenchView) -> Entry:
        return Entry("accept", f"{args.finding}, {f'{args.days} days' if args.days else 'without end'}")

    def check(self, args: AcceptArgs, view: BenchView, open_args: OpenArgs) -> None:
        """Refuse a step whose finding, there the name of an assessment, calibrates nothing.

        A command names a numbered finding; what that calibrates is in the record.
        """
        from benchd.bench.datum.calibrations import calibrates_nothing
        from benchd.questions.registry import calibrates, calibrating

        if calibrates(args.finding) is False:
            raise calibrates_nothing(f"A finding of {args.finding}", calibrating())

    async def command(self, args: AcceptArgs, order: Command) -> dict[str, Any]:
        order.bench.jobs.check_free()  # the chain must not change under a sweep
        return await self.carry_out(args, order)

    async def in_run(self, args: AcceptArgs, order: InRun) -> None:
        finding = order.run.findings.get(args.finding)
        if finding is None:
            raise Refused("not_found", f"This run has made no finding '{args.finding}'.", advice="Assess first.")
        await self.carry_out(args.model_copy(update={"finding": str(finding["finding"])}), order)

    async def carry_out(self, args: AcceptArgs, order: Order) -> dict[str, Any]:
        from benchd.bench.datum.calibrations import accept

        return {"calibration": await accept(order.bench, args.finding, days=args.days, by=order.user)}
