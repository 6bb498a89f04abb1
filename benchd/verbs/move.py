"""Go somewhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Self

from pydantic import model_validator

from benchd.devices.values import Approach
from benchd.errors import Refused
from benchd.verbs.arguments import Args, Name, exactly_one
from benchd.verbs.entry import Entry, WouldBeRefused, plain_text
from benchd.verbs.foreseen import OpenArgs, all_dependencies
from benchd.verbs.result import Target
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
    result = Target
    control = beat = ALWAYS
    use = "drive"
    place_counts = Need("with `by_um`", lambda args: args.by_um is not None)

    def named(self, args: MoveArgs) -> Mapping[str, Sequence[str]]:
        return {"axis": (args.axis,)}

    def moves(self, args: MoveArgs) -> bool:
        return True

    def check(self, args: MoveArgs, view: BenchView, open_args: OpenArgs) -> None:
        from benchd.bench.requests import not_in_degrees

        if args.to_deg is not None or args.by_deg is not None:
            raise not_in_degrees()

    def effect(self, args: MoveArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        from benchd.bench.requests import nothing_nominal
        from benchd.verbs.predicted_bench import PLACE

        ((key, value),) = ((key, value) for key, value in args.given().items() if key in PLACES and value is not None)
        text = f"{args.axis} {key} {plain_text(value)}"
        if args.approach is not None:
            text += f", {plain_text(args.approach).replace('_', ' ')}"
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

    def begun(self, entry: Entry) -> dict[str, Any]:
        return {"carriage_um": round(entry.to_um or 0.0, 1)}

    def settled(self, args: MoveArgs, entry: Entry) -> MoveArgs:
        return args.model_copy(update={**dict.fromkeys(PLACES), "carriage_um": entry.to_um})

    async def in_run(self, args: MoveArgs, order: InRun) -> None:
        await self.carry_out(args, order)
        order.run.moved_to_um = args.carriage_um

    async def carry_out(self, args: MoveArgs, order: Order) -> dict[str, Any]:
        """Needs arguments made absolute by `settled`."""
        assert args.carriage_um is not None
        await order.bench.move_carriage(args.carriage_um, since=order.since, approach=args.approach)
        return {}
