"""Put a calibration finding in force: it is kept in the record and enters the chain at once."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from benchd.errors import Refused
from benchd.verbs.arguments import Args, Code, LiteralOnly
from benchd.verbs.entry import Entry
from benchd.verbs.foreseen import OpenArgs
from benchd.verbs.result import Result
from benchd.verbs.verb import Earlier, Verb

if TYPE_CHECKING:
    from benchd.bench.bench import Bench
    from benchd.records.values import Calibration
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
    beside_stated: list[str]
    """Sentences: how far each value lies from what files state of it, and what comes of that where it is far."""


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
        from benchd.questions.registry import calibrates, calibrating

        if calibrates(args.finding) is False:
            raise calibrates_nothing(f"A finding of {args.finding}", calibrating())

    async def command(self, args: AcceptArgs, order: Command) -> dict[str, Any]:
        order.bench.jobs.check_free()  # the chain must not change under a sweep
        with order.bench.jobs.none_begins("a calibration that comes into force"):
            return await self.carry_out(args, order)

    async def in_run(self, args: AcceptArgs, order: InRun) -> None:
        finding = order.run.findings.get(args.finding)
        if finding is None:
            raise Refused("not_found", f"This run has made no finding '{args.finding}'.", advice="Assess first.")
        await self.carry_out(args.model_copy(update={"finding": str(finding["finding"])}), order)

    async def carry_out(self, args: AcceptArgs, order: Order) -> dict[str, Any]:
        return await accept(order.bench, args.finding, days=args.days, by=order.user)


def calibrates_nothing(finding: str, instead: Sequence[str] = ()) -> Refused:
    """The refusal of a finding that calibrates nothing; `instead` are the assessments that do."""
    advice = f"Accept a finding of {' or '.join(instead)}." if instead else "Accept one that calibrates something."
    return Refused("bad_request", f"{finding} calibrates nothing.", advice=advice)


async def accept(bench: Bench, finding: str, *, days: int | None, by: str) -> dict[str, Any]:
    """Put everything that a finding calibrates in force, and return what `InForce` holds, of the first calibration.

    Raises Refused: unknown_name; bad_request for a finding that calibrates nothing, nothing that this bench's chain
    uses, or is in force already; uncalibrated for a relative one.
    """
    doc = await bench.store.finding(finding)
    named = f"Finding {finding} ({doc['assessment']})"
    values = {entry["artefact"]: doc["values"][entry["value"]] for entry in doc.get("calibrates", ())}
    if not values or any(value["value"] is None or value["u"] is None for value in values.values()):
        raise calibrates_nothing(named)
    if not doc["absolute"]:
        text = f"{named} is relative: its uncertainty lacks lines."
        raise Refused("uncalibrated", text, advice=" ".join(doc["notes"]))
    for artefact, value in values.items():
        bench.setup.check_in_chain(artefact, value["unit"], named)
    valid_until: str | None = None
    if days is not None:
        now = datetime.fromisoformat(bench.clock.utc())
        valid_until = (now + timedelta(days=days)).strftime("%Y-%m-%dT%H:%M:%SZ")
    await _check_new(bench, finding, list(values), valid_until)
    at_C, length = doc["measurand"]["reference_C"], _Length(finding, valid_until, by)
    given = [length.calibration(artefact, value, at_C) for artefact, value in values.items()]
    beside = {one.artefact: one for one in bench.setup.beside_stated(doc)}
    accepted = await asyncio.shield(_put_in_force(bench, given))  # a cancellation must not leave chain and record apart
    for calibration, (artefact, value) in zip(accepted, values.items(), strict=True):
        until = f" until {valid_until[:10]}" if valid_until else ""
        in_force = f"{artefact} is {_printed(value)}, in force{until}."
        lies = beside[artefact]
        bench.events.tell(
            "calibrated",
            " ".join(part for part in (in_force, lies.how_far, lies.follows) if part),
            severity="warning" if lies.far else "info",
            advice=lies.mends,
            data={"artefact": artefact, "calibration": calibration, "finding": finding},
        )
    told = [part for one in beside.values() for part in (one.how_far, one.follows, one.mends) if part]
    return {"calibration": accepted[0], "beside_stated": told}


async def _put_in_force(bench: Bench, given: Sequence[Calibration]) -> list[str]:
    accepted = await bench.store.add_calibrations(given)
    await bench.setup.rebuild_chain()
    return accepted


@dataclass(frozen=True, slots=True)
class _Length:
    """The columns that all calibrations of one finding share."""

    finding: str
    valid_until: str | None
    by: str

    def calibration(self, artefact: str, value: Mapping[str, Any], at_C: float) -> Calibration:
        from benchd.records.values import Calibration

        found = value["value"], value["u"], value["unit"], at_C, value["dof"]
        return Calibration("", artefact, *found, (), self.finding, self.valid_until, self.by, "")


async def _check_new(bench: Bench, finding: str, artefacts: Sequence[str], valid_until: str | None) -> None:
    """Raise Refused('bad_request') if all of it is in force already, until the same day."""
    in_force = await bench.store.calibrations_in_force(bench.clock.utc())
    rows = [in_force.get(artefact) for artefact in artefacts]
    if all(row is not None and row.finding == finding and _day(row.valid_until) == _day(valid_until) for row in rows):
        until = f" until {valid_until[:10]}" if valid_until else ""
        ids = " and ".join(row.calibration for row in rows if row is not None)
        text = f"Finding {finding} is already in force as {ids}{until}."
        raise Refused("bad_request", text, advice="Nothing needs to be done; other 'days' would change when it ends.")


def _printed(value: dict[str, Any]) -> str:
    from benchd.metrology.rounding import rounded
    from benchd.quantities import printed_unit

    unit = printed_unit(value["unit"])
    size = value["U"] if value["U"] is not None else value["u"]
    tenths = f"{value['value']:.1f}", f"{size:.1f}"
    near, half = tenths if value["unit"] == "um" else rounded(value["value"], size)
    return f"{near} {unit}, {'U' if value['U'] is not None else 'u'} = {half} {unit}"


def _day(instant: str | None) -> str | None:
    return instant[:10] if instant else None
