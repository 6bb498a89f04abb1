"""Make a finding of a run's readings."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

from benchd.errors import Refused
from benchd.verbs.arguments import Args, Code, LiteralOnly, Name
from benchd.verbs.entry import Entry, WouldBeRefused
from benchd.verbs.foreseen import OpenArgs
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.verbs.order import InRun
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import BenchView


class AssessArgs(Args):
    """Which finding; `of` is the artefact where the set-up does not say it."""

    name: Annotated[Name, LiteralOnly()]
    of: Code | None = None


class Assess(Verb[AssessArgs]):
    """A step only: a finding is made from the readings of its run."""

    name = "assess"
    does = "Make a finding of this run's readings."
    args = step = AssessArgs
    offered = False

    def makes(self, args: AssessArgs) -> str | None:
        return args.name

    def check(self, args: AssessArgs, view: BenchView, open_args: OpenArgs) -> None:
        from benchd.questions.registry import question

        asked = question(args.name)
        asked.check_target(view.moves_target)
        if asked.by_steps:
            from benchd.bench.datum.position_terms import PITCH

            asked.check_steps(view.counts_with(PITCH))
        if view.arrangement is not None:
            asked.check_arrangement(view.arrangement)
        if "of" not in open_args:
            asked.check_of(args.of, view.records)

    def effect(self, args: AssessArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        from benchd.questions.registry import question
        from benchd.verbs.predicted_bench import KINDS, LAST_SWEEP, SWEPT, SWEPT_HERE, WITHOUT_M

        entry, asked = super().effect(args, predicted, open_args), question(args.name)
        taken = predicted.state.get(SWEPT_HERE if asked.at_set_up else SWEPT)
        try:
            kinds = () if taken is None or asked.at_set_up else predicted.state.get(KINDS) or ()
            asked.check_sweeps(asked.sweeps if taken is None else taken, len(kinds))  # what is unknown may be enough
            if (last := predicted.state.get(LAST_SWEEP)) is not None:
                detector = predicted.view.detector_for(*last).detector
                asked.check_merit(detector.name, detector.modulation)
            if asked.needs_m and predicted.state.get(WITHOUT_M):
                raise asked.no_m()
            lens, values = predicted.set_up.values.get("lens"), predicted.set_up.values
            known = predicted.view.lenses_found
            looked_up = known is not None and lens is not None and not values.why("lens")
            if asked.needs_earlier and looked_up and (asked.looks_back, lens) not in (known or ()):
                raise asked.nothing_earlier(lens)
        except Refused as refused:
            return replace(entry, problem=WouldBeRefused.certain(refused))
        return entry

    def still(self, args: AssessArgs, view: BenchView) -> Entry:
        return Entry("assess", args.name + (f" of {args.of}" if args.of else ""), view.assess_s)

    async def in_run(self, args: AssessArgs, order: InRun) -> None:
        """The finding is in the record before it is published."""
        from benchd import version
        from benchd.bench.time_table import spent
        from benchd.questions.answer import answer
        from benchd.questions.evidence import collect_evidence, find_earlier
        from benchd.questions.registry import question

        bench, asked = order.bench, question(args.name)
        history = await find_earlier(bench, order.run, asked.looks_back, asked.looks_back_over)
        evidence = collect_evidence(bench, order.run, version(), history)
        with spent("analysis"):
            doc = await answer(bench.analysis, args.name, evidence, args.of)
            doc["finding"] = await bench.store.add_finding(doc)
        order.run.findings[args.name] = doc
        bench.notices.put(f"finding/{args.name}", doc)
        order.run.unreported = [*(name for name in order.run.unreported if name != args.name), args.name]
