"""Whether the bench would go to a place, and which places lie on its way there; what it would say if it would not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from benchd.bench.clearance import Clearance, check_clearance
from benchd.errors import Refused
from benchd.procedures.bench_figures import BenchFigures, Whereabouts
from benchd.procedures.foreseen import Why, joined
from benchd.procedures.plan import WouldBeRefused


def would_be_refused(bench: BenchFigures, where: Whereabouts | None, verb: str, to_um: float) -> WouldBeRefused | None:
    """Why the bench would not go there: limits of the place, clearance of the way to it."""
    low, high = bench.travel_um
    if not low <= to_um <= high:
        text = f"{verb}: carriage {to_um:.0f} µm is outside its travel, {low:.0f} to {high:.0f} µm"
        return WouldBeRefused(text, "limit")
    return too_near(where, verb, to_um + min(bench.run_up_um, 0.0))


def too_near(
    where: Whereabouts | None,
    verb: str,
    place_um: float,
    check: Callable[[Clearance, float], None] = check_clearance,
) -> WouldBeRefused | None:
    """Why the carriage may not stand there, as far as records say; what they leave open a person is asked."""
    if where is not None and where.limit.question is None:
        try:
            check(where.limit, where.depth_um(place_um))
        except Refused as refused:
            return as_said(verb, refused)
    return None


def reach(
    bench: BenchFigures, where: Whereabouts | None, about_um: float, beside_um: float = 0.0
) -> tuple[float, float]:
    """Lowest and highest place on the way to those within `beside_um`, as far as travel and clearance let it.

    The travel holds for where the carriage is to stand; the run-up may leave it, as the motor turns beyond.
    """
    low, high = bench.travel_um
    lowest = max(about_um - beside_um, low) + min(bench.run_up_um, 0.0)
    highest = min(about_um + beside_um, high) + max(bench.run_up_um, 0.0)
    if where is not None and where.limit.question is None and where.limit.least_depth_um is not None:
        lowest = max(lowest, where.place_um(where.limit.least_depth_um))
    return lowest, highest


def as_said(verb: str, refused: Refused) -> WouldBeRefused:
    """As the bench itself would say it."""
    return WouldBeRefused(f"{verb}: {refused.text}", refused.code, refused.advice or "")


def not_homed(verb: str) -> WouldBeRefused:
    """What needs a trusted position."""
    return WouldBeRefused(f"{verb}: the carriage is not homed", "not_homed")


def not_driven(verb: str) -> WouldBeRefused:
    """What needs a carriage that was driven by the set-up as it is."""
    text = f"{verb}: since the carriage was last driven the set-up has changed, or it was homed"
    return WouldBeRefused(text, "not_driven", "Put a step 'nominal' before it.")


def unsaid(text: str) -> WouldBeRefused:
    """What the set-up leaves open."""
    return WouldBeRefused(text, "not_driven")


def perhaps(problem: WouldBeRefused | None, why: Why) -> WouldBeRefused | None:
    """The same where it depends on something whether it comes to that."""
    if problem is None or not why:
        return problem
    return replace(problem, depends=joined((*(() if problem.depends is None else (problem.depends,)), *why)))


def foremost(*problems: WouldBeRefused | None) -> WouldBeRefused | None:
    """The first that there is in any case, else the first that there may be."""
    told = [problem for problem in problems if problem is not None]
    return next((problem for problem in told if problem.depends is None), told[0] if told else None)
