"""Take readings through focus."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from benchd.errors import BenchdError, Refused
from benchd.verbs.arguments import Args, Name, Text
from benchd.verbs.entry import Entry, WouldBeRefused, may_proceed, most_certain
from benchd.verbs.foreseen import OpenArgs, all_dependencies
from benchd.verbs.result import Started
from benchd.verbs.verb import ALWAYS, CARRIAGE, DETECTOR, Need, Verb

if TYPE_CHECKING:
    from benchd.bench.sweep.sweep_data import SweepOrder
    from benchd.verbs.order import Command, InRun
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import BenchView


LIGHT = "target_light"


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
    the f-number where they are not given. `mode` `continuous` passes through at constant speed, there and back
    `repeats` times, `step_um` from one reading to the next: with a scale for the position, and a detector whose
    readings carry time stamps.
    """

    about: Literal["nominal", "here", "expected"] | float = "nominal"
    span_um: float | None = Field(default=None, gt=0.0, le=1e5)
    step_um: float | None = Field(default=None, gt=0.0, le=1e5)
    merit: Annotated[Name, AfterValidator(_installed)] = "auto"
    lp_mm: float | None = Field(default=None, gt=0.0, le=2000.0)
    repeats: int = Field(default=1, ge=1, le=100)
    mode: Literal["stepped", "continuous"] = "stepped"


class SweepStepArgs(SweepArgs):
    """The same as a step: where no best focus is found a person is asked, by the words of `look_again`, and it is
    looked again, at most `retries` times. A no, or the last one, ends the run."""

    retries: int = Field(default=0, ge=0, le=9)
    look_again: Text | None = None

    @model_validator(mode="after")
    def _together(self) -> Self:
        if ("retries" in self.model_fields_set) != (self.look_again is not None):
            raise ValueError("retries and look_again belong together")
        return self


class Sweep(Verb[SweepArgs]):
    """As a command it is a run of its own with two steps: sweep, assess."""

    name = "sweep"
    does = "Take readings through focus, as a run of its own."
    args = SweepArgs
    step = SweepStepArgs
    result = Started
    control = beat = ALWAYS
    in_part = measures = True
    place_counts = Need("about `here`", lambda args: args.about == "here")

    def uses(self, args: SweepArgs) -> Sequence[str]:
        return (CARRIAGE, DETECTOR)

    def moves(self, args: SweepArgs) -> bool:
        return True

    def check(self, args: SweepArgs, view: BenchView, open_args: OpenArgs) -> None:
        # Open arguments have been left out, so `args` holds their defaults, which are never refused.
        chosen = view.detector_for(args.merit, args.lp_mm)
        if args.mode == "continuous":
            view.check_continuous(chosen.detector)

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
        return _with_retries(args, replace(entry, problem=problem))

    async def command(self, args: SweepArgs, order: Command) -> dict[str, Any]:
        order.bench.jobs.check_free()  # a calibration that expires must not change the chain under a run
        await order.bench.setup.refresh()
        await self.now(args, order)
        return {"run": await order.runs.sweep(_sweep_order(args), order.user, order.ident, order.since)}

    async def in_run(self, args: SweepArgs, order: InRun) -> None:
        retries = args.retries if isinstance(args, SweepStepArgs) else 0
        while True:
            await _light_again(order)
            try:
                await order.bench.sweep(
                    _sweep_order(args), order.run, order.gate, lambda done, of: order.report_progress(done / of)
                )
            except BenchdError as error:
                left = retries - order.looked.times
                if error.code != "not_found" or left < 1 or not await _put_right(args, error, left, order):
                    raise
                order.looked.times += 1
            else:
                return


def _with_retries(args: SweepArgs, entry: Entry) -> Entry:
    """With what it may take longer, and be asked, where no focus is found; an open number of times is left out."""
    retries = args.retries if isinstance(args, SweepStepArgs) and isinstance(args.retries, int) else 0
    if not retries:
        return entry
    text = f"{entry.text}; where none is found a person is asked up to {retries} times"
    more = entry.seconds_more + retries * (entry.seconds + entry.seconds_more)
    return replace(entry, text=text, seconds_more=more)


async def _put_right(args: SweepArgs, error: BenchdError, left: int, order: InRun) -> bool:
    """Whether a person has put right what hid the peak. Meanwhile the target is dark, as hands are in the bench, and
    nothing moves: after a pause or a stop not before the run goes on."""
    from benchd.devices import Light

    assert isinstance(args, SweepStepArgs)
    times = f"{left} more time{'s' if left > 1 else ''} at the most"
    question = f"{error.text} {args.look_again} Look again, {times}? No ends the run."
    lamp = order.bench.assembly.in_role(LIGHT, Light)
    order.looked.dimmed_from = 0.0 if lamp is None else await lamp.level()
    if order.looked.dimmed_from:
        await order.bench.lights.set(LIGHT, level=0.0, by=order.user)
    again = await order.asks.ask("look_again", "yes_no", order.prompt(question)) is True
    await order.gate.passable()
    return again


async def _light_again(order: InRun) -> None:
    """The level from before hands went in. A stop may drop it; then the step is repeated, and with it this."""
    if order.looked.dimmed_from:
        await order.bench.lights.set(LIGHT, level=order.looked.dimmed_from, by=order.user)
    order.looked.dimmed_from = 0.0


def _sweep_order(args: SweepArgs) -> SweepOrder:
    from benchd.bench.sweep.sweep_data import SweepOrder

    return SweepOrder(args.about, args.span_um, args.step_um, args.merit, args.lp_mm, args.repeats, args.mode)
