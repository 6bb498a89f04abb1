"""The lines of a plan for steps that move nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from benchd.procedures.arguments import Ask, Light
from benchd.procedures.bench_figures import BenchFigures
from benchd.procedures.foreseen import Why, joined
from benchd.procedures.plan import Entry
from benchd.procedures.steps import AskStep, Step
from benchd.procedures.values import said


def still_entry(step: Step, bench: BenchFigures, open_args: Mapping[str, Why]) -> Entry:  # noqa: PLR0911  one for each kind
    """What a step does that moves nothing; `open_args` are what answers to come will say, and on what they depend."""
    args: Any = step.args
    if open_args:
        why = joined(tuple(one for why in open_args.values() for one in why))
        return replace(_ask(args) if isinstance(step, AskStep) else Entry(step.verb, ""), text=f"depends on {why}")
    match step.verb:
        case "ask":
            return _ask(args)
        case "light":
            return Entry("light", light_text(args))
        case "camera":
            return Entry("camera", ", ".join(f"{key} {value}" for key, value in args.given().items()))
        case "read":
            against = f", held against {args.moved_from}" if args.moved_from else ""
            return Entry("read", f"{args.device} as {args.as_}{against}", bench.reading_s)
        case "assess":
            return Entry("assess", args.name + (f" of {args.of}" if args.of else ""), bench.assess_s)
        case "wait":
            return Entry("wait", f"{args.for_s:g} s", args.for_s)
        case "accept":
            return Entry("accept", f"{args.finding}, {f'{args.days} days' if args.days else 'without end'}")
    raise AssertionError(step.verb)


def _ask(args: Ask) -> Entry:
    choices = f" [{' / '.join(args.choices)}]" if args.choices else ""
    return Entry("ask", args.kind, ask=args.prompt + choices)


def light_text(args: Light) -> str:
    """Which light is set, and how."""
    (key,) = (key for key in ("level", "stops_by", "on") if getattr(args, key) is not None)
    dark = "" if args.for_s is None else f", dark again after {args.for_s:g} s"
    return f"{args.light} {key} {said(getattr(args, key))}{dark}"
