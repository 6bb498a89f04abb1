"""Find the switch, then the reference mark."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pydantic import Field

from benchd.verbs.arguments import Args, Name
from benchd.verbs.entry import Entry, conditional, may_proceed
from benchd.verbs.foreseen import OpenArgs, all_dependencies, joined_by_and
from benchd.verbs.verb import ALWAYS, CARRIAGE, ROTARY, Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Order
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import BenchView


class HomeArgs(Args):
    """Which axes, by role or name."""

    axes: list[Name] = Field(default=[CARRIAGE], min_length=1, max_length=16)
    only_if_unhomed: bool = False


class Home(Verb[HomeArgs]):
    """The home switch lies below the travel, so the path to it must be clear of the lens."""

    name = "home"
    does = "Find the switch, then the reference mark."
    args = step = HomeArgs
    control = beat = ALWAYS
    use = "drive"
    in_part = True
    on_the_way = ", on the way to its switch"

    def named(self, args: HomeArgs) -> Mapping[str, Sequence[str]]:
        return {"axes": args.axes} if isinstance(args.axes, list) else {}

    def moves(self, args: HomeArgs) -> bool:
        return True

    def moves_carriage(self, args: HomeArgs) -> bool:
        return not set(args.axes) <= set(ROTARY)

    def lowest_um(self, entry: Entry, view: BenchView) -> float | None:
        return None if entry.to_um is None else view.home_um

    def effect(self, args: HomeArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        from benchd.bench.datum.clearance import check_way_to_switch
        from benchd.verbs.predicted_bench import HOMED
        from benchd.verbs.reach import too_near
        from benchd.verbs.turning import home_ring

        named = args.axes if "axes" not in open_args else []
        rings = [role for role in map(predicted.view.role_of, named) if role in predicted.view.rings]
        turning_s = sum(home_ring(predicted, role, only_if_unhomed=args.only_if_unhomed is True) for role in rings)
        if rings and len(rings) == len(named):
            return Entry("home", ", ".join(args.axes), turning_s)
        homed, why = predicted.state.get(HOMED), (*predicted.state.why(HOMED), *all_dependencies(open_args))
        if args.only_if_unhomed is True and homed:
            return Entry("home", "nothing to do, it is homed" if not rings else ", ".join(rings), turning_s)
        if homed is False or (args.only_if_unhomed is False and not open_args):
            why = ()
        view = predicted.view
        before, to_um = predicted.place_um, view.travel_um[0]
        problem = conditional(
            too_near(predicted.set_up.places, view.home_um, check_way_to_switch, asked=view.asks_of_rear), why
        )
        if may_proceed(problem):
            unless = predicted.copy()
            predicted.drives = True
            predicted.state.mark_known(stale=True, carriage_um=to_um)
            if why:
                predicted.merge(unless, why)
            predicted.state.mark_known(homed=True)
        text = ", ".join(args.axes)
        if not why:
            return Entry("home", text, view.home_s + turning_s, 0.0, (), before, to_um, problem=problem)
        text += f", if it is not homed by then; that depends on {joined_by_and(why)}"
        return Entry("home", text, turning_s, view.home_s, (), before, to_um, problem=problem)

    async def carry_out(self, args: HomeArgs, order: Order) -> dict[str, Any]:
        await order.bench.home(args.axes, only_if_unhomed=args.only_if_unhomed, since=order.since)
        return {}
