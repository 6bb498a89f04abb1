"""Take readings through focus."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, Field

from benchd.errors import Refused
from benchd.verbs.arguments import Args, Name
from benchd.verbs.entry import Entry, WouldBeRefused, may_proceed, most_certain
from benchd.verbs.foreseen import OpenArgs, all_dependencies
from benchd.verbs.result import Started
from benchd.verbs.verb import ALWAYS, CARRIAGE, DETECTOR, Need, Verb

if TYPE_CHECKING:
    from benchd.bench.sweep.sweep_data import SweepOrder
    from benchd.verbs.order import Command, InRun
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import BenchView


def _installed(merit: str) -> str:
    from benchd.detectors import registry
    from benchd.detectors.detector import AUTO
    from benchd.files.wording import near_names

    known = (AUTO, *registry.names())
    if merit in known:
        return merit
    near = near_names(merit, known, 1)
    listed = ", ".join(f"'{name}'" for name in known)
    raise ValueError(f"one of {listed}" + (f"; did you mean '{near[0]}'?" if near else ""))


class SweepArgs(Args):
    """A sweep about nominal, about where the carriage stands, or about an offset in um; `span_um` is end to end.

    `expected` is about nominal as well, and looks first where focus of this lens, or of its model, was last.
    `merit` names the detector, `auto` the first of those at hand. Span, step and frequency are left to the detector and
    the f-number where they are not given.
    """

    about: Literal["nominal", "here", "expected"] | float = "nominal"
    span_um: float | None = Field(default=None, gt=0.0, le=1e5)
    step_um: float | None = Field(default=None, gt=0.0, le=1e5)
    merit: Annotated[Name, AfterValidator(_installed)] = "auto"
    lp_mm: float | None = Field(default=None, gt=0.0, le=2000.0)
    repeats: int = Field(default=1, ge=1, le=100)
    mode: Literal["stepped", "continuous"] = "stepped"


class Sweep(Verb[SweepArgs]):
    """As a command it is a run of its own with two steps: sweep, assess."""

    name = "sweep"
    does = "Take readings through focus, as a run of its own."
    args = step = SweepArgs
    result = Started
    control = beat = ALWAYS
    in_part = measures = True
    place_counts = Need("about `here`", lambda args: args.about == "here")

    def uses(self, args: SweepArgs) -> Sequence[str]:
        return (CARRIAGE, DETECTOR)

    def moves(self, args: SweepArgs) -> bool:
        return True

    def check(self, args: SweepArgs, view: BenchView, open_args: OpenArgs) -> None:
        from benchd.bench.requests import check_sweep

        # Open arguments have been left out, so `args` holds their defaults, which are never refused.
        check_sweep(args.mode)
        view.detector_for(args.merit, args.lp_mm)

    def effect(self, args: SweepArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        from benchd.bench.requests import no_lens, nothing_nominal
        from benchd.verbs.predicted_bench import PLACE
        from benchd.verbs.predicted_sweep import PredictedSweep

        # Counted also if it is refused: then the run gets no further anyway.
        again = predicted.count_sweep((args.merit, args.lp_mm)) and not open_args
        where, from_um = predicted.set_up.places, predicted.place_um
        if where is not None and where.half_width_um is None:
            return Entry("sweep", f"merit {args.merit}", problem=WouldBeRefused.certain(no_lens()))
        try:
            sweep = PredictedSweep(predicted.view, where, args, again=again)
        except Refused as refused:
            return Entry("sweep", f"merit {args.merit}", problem=WouldBeRefused.certain(refused))
        unhomed_refusal = predicted.unhomed_refusal()
        why = (
            *all_dependencies(open_args),
            *predicted.set_up.why,
            *(predicted.state.why(PLACE) if args.about == "here" else ()),
        )
        here = from_um
        if where is not None and args.about != "here":
            here = where.places.carriage_um(args.about) if isinstance(args.about, float) else where.nominal_um
        if not may_proceed(unhomed_refusal):
            return Entry("sweep", sweep.text, problem=unhomed_refusal)
        if here is None and not why:
            return Entry("sweep", sweep.text, problem=WouldBeRefused.certain(nothing_nominal()))
        entry = sweep.entry_at_open_place(why) if why or here is None else sweep.entry_about(here, from_um)
        problem = most_certain(unhomed_refusal, predicted.stale_refusal(), entry.problem)
        if may_proceed(problem):
            predicted.arrived(entry.to_um, why)
        elif here is not None:
            predicted.state.mark_known(carriage_um=here)
        return replace(entry, problem=problem)

    async def command(self, args: SweepArgs, order: Command) -> dict[str, Any]:
        order.bench.jobs.check_free()  # a calibration that expires must not change the chain under a run
        await order.bench.setup.refresh()
        await self.now(args, order)
        return {"run": await order.runs.sweep(_sweep_order(args), order.user, order.ident, order.since)}

    async def in_run(self, args: SweepArgs, order: InRun) -> None:
        await order.bench.sweep(
            _sweep_order(args), order.run, order.gate, lambda done, of: order.report_progress(done / of)
        )


def _sweep_order(args: SweepArgs) -> SweepOrder:
    from benchd.bench.sweep.sweep_data import SweepOrder

    return SweepOrder(args.about, args.span_um, args.step_um, args.merit, args.lp_mm, args.repeats, args.mode)
