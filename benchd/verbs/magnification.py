"""See the wall's marks, and state the magnification by them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field

from benchd.verbs.arguments import Args
from benchd.verbs.entry import Entry, WouldBeRefused
from benchd.verbs.foreseen import OpenArgs
from benchd.verbs.result import Result
from benchd.verbs.verb import ALWAYS, DETECTOR, Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Command, Order
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import BenchView

PICTURE_S = 0.2


class MagnificationArgs(Args):
    """By so many pictures; `only_if_marked`: where the bench file states no marks, nothing is done; `only_if_unstated`:
    nor where the set-up has an m."""

    pictures: int = Field(default=5, ge=1, le=50)
    only_if_marked: bool = False
    only_if_unstated: bool = False


class ByMarks(Result):
    """The magnification and its standard uncertainty, as the set-up has it."""

    value: float
    u: float
    by: Literal["marks", "pitch"]
    across_px: float
    """How far apart the marks are in the picture; of a strip twice the way from the square to its farther end."""
    u_out_of_focus: float
    """Of u, as the lens may not have been in focus."""
    told_in: str | None
    """The run that it was told in; null by a command."""


class Magnified(Result):
    """What was stated."""

    m: ByMarks | None
    """Null where nothing was done."""
    rev: int
    """Of the set-up, one higher where m is another now: then the position is stale."""


class Magnification(Verb[MagnificationArgs]):
    """At nominal and with the light on: square and marks, or strip, have to be in the picture, and near focus."""

    name = "magnification"
    does = "See the marks or the strip on the wall, and state m by them."
    args = step = MagnificationArgs
    result = Magnified
    control = ALWAYS

    def uses(self, args: MagnificationArgs) -> Sequence[str]:
        return (DETECTOR,)

    def check(self, args: MagnificationArgs, view: BenchView, open_args: OpenArgs) -> None:
        from benchd.bench.wall_marks import require_marks

        if args.only_if_marked is False and view.arrangement is not None:
            require_marks(view.arrangement)

    def effect(self, args: MagnificationArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        from benchd.bench.wall_marks import marks_of, nothing_of_the_wall

        arrangement = predicted.view.arrangement
        if arrangement is not None and marks_of(arrangement) is None:
            return Entry(self.name, "nothing to do, the bench file states no marks on the wall")
        values = predicted.set_up.values
        if args.only_if_unstated and values.get("m") is not None and not values.why("m"):
            return Entry(self.name, "nothing to do, m is stated")
        unknown = [key for key in ("distance_mm", "m") if values.get(key) is None and not values.why(key)]
        if len(unknown) == 2:
            problem = WouldBeRefused.certain(nothing_of_the_wall())
            return Entry(self.name, "m by the marks on the wall", problem=problem)
        predicted.count_setup_change()
        predicted.state.mark_known(stale=True)
        seconds = args.pictures * PICTURE_S if isinstance(args.pictures, int) else 0.0
        text = f"m by the marks on the wall{_foretold(predicted)}; nominal moves by as much as it is another"
        return Entry(self.name, text, seconds)

    async def command(self, args: MagnificationArgs, order: Command) -> dict[str, Any]:
        order.bench.jobs.check_free()
        with order.bench.jobs.none_begins("looking at the marks on the wall"):
            return await super().command(args, order)

    async def carry_out(self, args: MagnificationArgs, order: Order) -> dict[str, Any]:
        from benchd.bench.wall_marks import magnification, marks_of
        from benchd.verbs.order import InRun

        bench, found = order.bench, None
        wanted = not args.only_if_unstated or bench.setup.document.m is None
        if wanted and (not args.only_if_marked or marks_of(bench.setup.arrangement) is not None):
            rev = bench.setup.document.rev
            found = await magnification(bench, args.pictures, order.run.id if isinstance(order, InRun) else None)
            await bench.setup.change({"m": found}, rev)
        return {"m": found, "rev": bench.setup.document.rev}


def _foretold(predicted: PredictedBench) -> str:
    """How well m will be known, as far as the files tell: a longer way between marks may be worth its trouble."""
    from benchd.bench.wall_marks import expected, marks_of

    view, lens = predicted.view, predicted.set_up.values.get("lens")
    marks = None if view.arrangement is None else marks_of(view.arrangement)
    if marks is None or view.target is None:
        return ""
    known = view.records.lenses if view.records is not None else {}
    places = predicted.set_up.places
    u_rel, by = expected(view.target, marks, known.get(str(lens)), 0.0 if places is None else places.u_um)
    least = "at least" if places is None else "about"
    return f", u {least} {100.0 * u_rel:.2g} % of it, most by {by}"
