"""Go somewhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Self

from pydantic import model_validator

from benchd.devices.values import Approach
from benchd.errors import Refused
from benchd.verbs.arguments import Args, Name, exactly_one
from benchd.verbs.entry import Entry, TurnEntry, WouldBeRefused, plain_text
from benchd.verbs.foreseen import OpenArgs, all_dependencies, joined_by_and
from benchd.verbs.result import Angle, Target
from benchd.verbs.verb import ALWAYS, CARRIAGE, Need, Verb

if TYPE_CHECKING:
    from benchd.verbs.order import InRun, Order
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import BenchView

PLACES = ("offset_um", "depth_um", "carriage_um", "by_um", "to_deg", "by_deg")


class MoveArgs(Args):
    """Exactly one target: um for a linear axis, degrees for a rotary one; `by_` is from where it stands.

    `approach` is the side from which it comes to its place; left out it is the one of the bench file, which takes up
    the backlash as always. The other one is for measuring that.
    """

    axis: Name = CARRIAGE
    offset_um: float | None = None
    depth_um: float | None = None
    carriage_um: float | None = None
    by_um: float | None = None
    to_deg: float | None = None
    by_deg: float | None = None
    approach: Approach | None = None

    @model_validator(mode="after")
    def _one_target(self) -> Self:
        return exactly_one(self, *PLACES)


class Move(Verb[MoveArgs]):
    """Carried out as an absolute move: one received twice, or repeated after a stop, must not move twice as far."""

    name = "move"
    does = "Go somewhere."
    args = step = MoveArgs
    result = Target | Angle
    control = beat = ALWAYS
    use = "drive"
    place_counts = Need("with `by_um`", lambda args: args.by_um is not None)

    def named(self, args: MoveArgs) -> Mapping[str, Sequence[str]]:
        return {"axis": (args.axis,)}

    def moves(self, args: MoveArgs) -> bool:
        return True

    def moves_carriage(self, args: MoveArgs) -> bool:
        return args.to_deg is None and args.by_deg is None

    def check(self, args: MoveArgs, view: BenchView, open_args: OpenArgs) -> None:
        from benchd.bench.requests import check_unit

        device, degrees = view.device_for(self.use, args.axis), not self.moves_carriage(args)
        check_unit(device, args.axis, degrees=degrees, sided=args.approach is not None)

    def effect(self, args: MoveArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        ((key, value),) = ((key, value) for key, value in args.given().items() if key in PLACES and value is not None)
        text = f"{args.axis} {key} {plain_text(value)}"
        if args.approach is not None:
            text += f", {plain_text(args.approach).replace('_', ' ')}"
        if not self.moves_carriage(args):
            return _turned(args.axis, text, key, value, predicted, open_args)
        return _driven(args, text, key, value, predicted, open_args)

    def begun(self, entry: Entry) -> dict[str, Any]:
        if isinstance(entry, TurnEntry):
            return {"deg": None if entry.to_deg is None else round(entry.to_deg, 2)}
        return {"carriage_um": round(entry.to_um or 0.0, 1)}

    def settled(self, args: MoveArgs, entry: Entry) -> MoveArgs:
        to = {"to_deg": entry.to_deg} if isinstance(entry, TurnEntry) else {"carriage_um": entry.to_um}
        return args.model_copy(update={**dict.fromkeys(PLACES), **to})

    async def in_run(self, args: MoveArgs, order: InRun) -> None:
        await self.carry_out(args, order)
        if args.carriage_um is not None:
            order.run.moved_to_um = args.carriage_um

    async def carry_out(self, args: MoveArgs, order: Order) -> dict[str, Any]:
        """Needs arguments made absolute by `settled`."""
        from benchd.bench.requests import nowhere

        if args.to_deg is not None:
            await order.bench.turn(args.axis, args.to_deg, since=order.since)
            return {}
        if args.carriage_um is None:
            raise nowhere(args.axis)
        await order.bench.move_carriage(args.carriage_um, since=order.since, approach=args.approach)
        return {}


def _turned(axis: str, text: str, key: str, value: float, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
    from benchd.verbs.turning import turn, turn_by

    if open_args:
        return Entry("move", f"{text}; where that is depends on {joined_by_and(all_dependencies(open_args))}")
    foreseen = turn if key == "to_deg" else turn_by
    return foreseen(predicted, "move", text, predicted.view.role_of(axis), value)


def _driven(args: MoveArgs, text: str, key: str, value: float, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
    from benchd.bench.requests import nothing_nominal
    from benchd.verbs.predicted_bench import PLACE

    if open_args:
        return predicted.drive_to_open_place("move", text, all_dependencies(open_args))
    where = predicted.set_up.places
    why = {"carriage_um": (), "by_um": predicted.state.why(PLACE)}.get(key, predicted.set_up.why)
    if why:
        return predicted.drive_to_open_place("move", text, why)
    to_um: float | None = {"carriage_um": value, "by_um": (predicted.place_um or 0.0) + value}.get(key)
    if to_um is None and where is not None:
        try:
            by_depth = key == "depth_um"
            to_um = where.places.carriage_for_depth(value) if by_depth else where.places.carriage_um(value)
        except Refused as refused:
            return Entry("move", text, problem=WouldBeRefused.certain(refused))
    if to_um is None:
        return Entry("move", text, problem=WouldBeRefused.certain(nothing_nominal()))
    return predicted.drive("move", text, to_um, args.approach)
