"""The verb `setup`: state what is on the bench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, ValidationError, ValidatorFunctionWrapHandler, WrapValidator

from benchd.errors import Refused
from benchd.verbs.arguments import Args
from benchd.verbs.entry import Entry, WouldBeRefused, conditional, plain_text
from benchd.verbs.foreseen import OpenArgs, all_dependencies, joined_by_and
from benchd.verbs.result import Result
from benchd.verbs.verb import ALWAYS, CARRIAGE, Need, Verb

if TYPE_CHECKING:
    from benchd.arrangements.setup_document import SetupDocument
    from benchd.bench.datum.current_setup import CurrentSetup
    from benchd.verbs.order import Command, Order
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import SetupPlaces


class Measured(Args):
    """A value and its standard uncertainty."""

    value: float
    u: float


class RingMark(Args):
    """A distance mark of the focus ring, as engraved."""

    mark: float | Literal["inf"]


def _ring(value: Any, check: ValidatorFunctionWrapHandler) -> Any:
    try:
        return check(value)
    except ValidationError:
        raise ValueError('"hard_stop", "infinity", "free", {"mark": ..} or null') from None


class SetupValues(Args):
    """What may be set of the set-up document. A key that is given replaces the whole value, null clears it.

    Only types are looked at here; which values may stand, the bench says when it is asked.
    """

    lens: str | None = None
    job: str | None = None
    adapters: list[str] | None = None
    glass: list[str] | None = None
    ring: Annotated[Literal["hard_stop", "infinity", "free"] | RingMark | None, WrapValidator(_ring)] = None
    distance_mm: float | None = None
    m: Measured | None = None
    f_number: float | None = None
    light_nm: float | None = None
    temperature_C: float | None = None
    support: str | None = None
    trim_um: float | None = None


class SetupArgs(Args):
    """`rev` guards against another's change meanwhile; `follow` then drives to the new nominal, trim included."""

    rev: int | None = Field(default=None, ge=0)
    set: SetupValues
    follow: bool = False

    def changes(self) -> dict[str, Any]:
        """What is stated of the set-up itself, nulls included, as JSON values."""
        return self.set.given()


class SetupStepArgs(SetupValues):
    """Change the set-up: whole values replace, null clears, what is not stated stays. Moves only with `follow`."""

    follow: bool = False

    def changes(self) -> dict[str, Any]:
        """What is stated of the set-up itself, nulls included, as JSON values."""
        return {key: value for key, value in self.given().items() if key != "follow"}


class Dropped(Result):
    """A value of the set-up that nobody named and that is gone all the same."""

    key: str
    was: Any
    why: str
    """A clause: of what it was stated, which is another one now."""


class Carried(Result):
    """A value that nobody named: the target has moved, and what was measured from it is another one now."""

    key: str
    was: Any
    now: Any


class SetUp(Result):
    """What a change of the set-up came to; with `follow` what it will come to once the carriage has followed."""

    rev: int
    """After the change; as it was where nothing changed."""
    set: dict[str, Any]
    """What is another value than before, of what was named."""
    dropped: list[Dropped]
    carried: list[Carried]
    nominal_carriage_um: float | None
    """Where `nominal` goes now, trim included; null without a lens."""
    moved_um: float | None
    """From where it went before; null where either is nowhere."""
    absolute: bool | None
    """Whether findings will be; null without a lens."""
    why_relative: list[str]
    """Clauses: what is missing."""


def _too_near_here(predicted: PredictedBench, where: SetupPlaces | None) -> WouldBeRefused | None:
    """Why a set-up would be refused whose lens comes too near the target where that is now."""
    from benchd.verbs.predicted_bench import HOMED, PLACE
    from benchd.verbs.reach import too_near

    if not predicted.view.moves_target:  # the target is fixed, so the carriage position does not matter
        return too_near(where, 0.0)
    here = predicted.state.get(PLACE)
    if here is None or predicted.state.get(HOMED) is False:
        return None
    return conditional(too_near(where, here), predicted.state.why(HOMED))


class Setup(Verb[SetupArgs | SetupStepArgs]):
    """Applied whole or not at all. Clearance is checked where the carriage will go, or where it is and stays."""

    name = "setup"
    does = "Say what stands on the bench."
    args = SetupArgs
    step = SetupStepArgs
    result = SetUp
    control = ALWAYS
    beat = Need("with `follow`", lambda args: args.follow)
    in_part = True
    place_counts = ALWAYS

    def uses(self, args: SetupArgs | SetupStepArgs) -> Sequence[str]:
        return (CARRIAGE,) if args.follow is True else ()

    def moves(self, args: SetupArgs | SetupStepArgs) -> bool:
        return bool(args.follow)

    def set_up(self, args: SetupArgs | SetupStepArgs, keeper: CurrentSetup) -> SetupDocument:
        return keeper.preview(args.changes())[0]

    def effect(self, args: SetupArgs | SetupStepArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        from benchd.arrangements.setup_document import check_rev
        from benchd.bench.requests import nothing_to_follow
        from benchd.verbs.predicted_bench import STALE
        from benchd.verbs.turning import and_rings, unknown_mark

        stated, open_keys = args.changes(), {key: why for key, why in open_args.items() if key != "follow"}
        parts = [f"{key} {plain_text(value)}" for key, value in stated.items()]
        parts += [f"{key} by {joined_by_and(why)}" for key, why in open_keys.items()]
        text = ", ".join(parts) or "nothing changes"
        before, then = predicted.set_up.why, predicted.set_up.values.copy()
        try:
            check_rev(predicted.view.rev, args.rev if isinstance(args, SetupArgs) else None)
            moves_nominal = predicted.set_up.change(stated, open_keys)
        except Refused as refused:
            return Entry("setup", text, problem=WouldBeRefused.certain(refused))
        where = predicted.set_up.places
        predicted.rear_confirmed_um = {
            seen: um for seen, um in predicted.rear_confirmed_um.items() if where and seen == where.parts
        }
        predicted.rear_question_announced = False
        if {"lens", "glass"} & {*stated, *open_keys}:
            predicted.glass.changed()
        if open_keys or then.open & stated.keys():
            predicted.count_setup_change(all_dependencies({**open_keys, **{key: then.why(key) for key in stated}}))
        elif dict(predicted.set_up.values.values) != dict(then.values):
            predicted.count_setup_change()
        if (unknown := unknown_mark(predicted, stated)) is not None:
            return Entry("setup", text, problem=unknown)
        if moves_nominal:
            predicted.state.mark_known(stale=True)
        elif moves_nominal is None and predicted.state.get(STALE) is not True:
            predicted.state.mark_unknown(STALE, (*predicted.state.why(STALE), *before, *predicted.set_up.why))
        if args.follow is True and where is not None and where.nominal_um is None:
            return Entry("setup", text, problem=WouldBeRefused.certain(nothing_to_follow()))
        stays = predicted.copy()
        if args.follow is True:
            return and_rings(predicted, lambda: predicted.drive_to_nominal("setup", f"{text}; the carriage follows"))
        if "follow" in open_args:
            why = open_args["follow"]
            entry = predicted.drive_to_nominal(
                "setup", f"{text}; whether the carriage follows depends on {joined_by_and(why)}"
            )
            predicted.merge(stays, why)
            return replace(entry, problem=conditional(entry.problem, why))
        return Entry("setup", text, problem=_too_near_here(predicted, where))

    async def command(self, args: SetupArgs | SetupStepArgs, order: Command) -> dict[str, Any]:
        from benchd.bench.setup_change import preview_outcome

        order.bench.jobs.check_free()
        await self.now(args, order)
        order.bench.jobs.check_free()  # a job may have begun while the carriage was asked for its position
        if not args.follow:
            return await self.carry_out(args, order)
        change_outcome = preview_outcome(order.bench, args.changes())
        order.bench.jobs.start(self.name, lambda: self.carry_out(args, order), order.ident)
        return change_outcome

    async def carry_out(self, args: SetupArgs | SetupStepArgs, order: Order) -> dict[str, Any]:
        from benchd.bench.setup_change import change_setup

        rev = args.rev if isinstance(args, SetupArgs) else None
        return await change_setup(order.bench, args.changes(), rev=rev, follow=args.follow, since=order.since)
