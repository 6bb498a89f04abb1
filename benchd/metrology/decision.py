"""The decision rule: pass, fail or undecided, from the probability of conformity (JCGM 106, 7; ISO 14253-1:2017).

The probability is taken over both limits from the same distribution as the interval: p >= 0.95 passes,
p <= 0.05 fails, anything else is undecided, and then the result says which uncertainty would decide.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

from benchd.metrology.budget import Expanded, Term, combine
from benchd.metrology.distribution import ErrorDistribution
from benchd.metrology.roots import bracketed_root

Outcome = Literal["pass", "fail", "undecided"]

P_PASS = 0.95
P_FAIL = 0.05
RULE = "JCGM 106, 95 %"

AGAIN = 1.01
"""Measured again U comes out up to this much larger, as readings scatter anew: what is advised is enough even then."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The result of the rule for one value.

    `acceptance` is the range of values that would have passed at this uncertainty; None if no value could pass.
    `u_needed` is the combined u that would decide an undecided case.
    """

    is_: Outcome
    value: float
    low: float | None
    high: float | None
    p_conform: float
    acceptance: tuple[float, float] | None
    u_needed: float | None
    rule: str = RULE


@dataclass(frozen=True, slots=True)
class Improvement:
    """The obstacle to a verdict: a line of the budget, or the part of it by one input.

    `u_now` and `u_needed` are its contributions, now and as needed for a verdict; `u_needed` None: improving neither
    this nor any other single one would decide it. `U_then` is the expanded uncertainty of the whole value with the
    contribution as needed, or without it where none decides.
    """

    dominant: str
    part: str | None
    source: str
    u_now: float
    u_needed: float | None
    U_then: float


def _limits(low: float | None, high: float | None) -> tuple[float, float]:
    bottom, top = -math.inf if low is None else low, math.inf if high is None else high
    if not bottom < top or (low is None and high is None):
        raise ValueError(f"a tolerance needs a low limit below its high one, not {low} and {high}")
    return bottom, top


def probability_of_conformity(
    value: float, distribution: ErrorDistribution, low: float | None, high: float | None
) -> float:
    """Probability that the true value lies within the limits (None: no limit on that side), JCGM 106, 7.2."""
    bottom, top = _limits(low, high)
    # Truth = value - error, and the error is symmetric.
    return distribution.within(bottom - value, top - value)


def outcome(p_conform: float) -> Outcome:
    """The rule itself."""
    if p_conform >= P_PASS:
        return "pass"
    return "fail" if p_conform <= P_FAIL else "undecided"


def decide(value: float, expanded: Expanded, low: float | None, high: float | None) -> Verdict:
    """Apply the rule to a value with its combined uncertainty. ValueError for an empty tolerance interval."""
    p = probability_of_conformity(value, expanded.distribution, low, high)
    is_ = outcome(p)
    needed = u_needed(value, expanded, low, high) if is_ == "undecided" else None
    return Verdict(is_, value, low, high, p, acceptance(expanded, low, high), needed)


def acceptance(expanded: Expanded, low: float | None, high: float | None) -> tuple[float, float] | None:
    """The values that pass at this uncertainty (infinite where there is no limit), or None if none can.

    For use before a measurement, with a budget of predicted lines.
    """
    bottom, top = _limits(low, high)
    d = expanded.distribution

    def margin(value: float) -> float:
        return probability_of_conformity(value, d, low, high) - P_PASS

    if math.isfinite(bottom) and math.isfinite(top):
        centre = 0.5 * (bottom + top)
        if margin(centre) < 0.0:
            return None
        edge = top if expanded.u == 0.0 else bracketed_root(margin, centre, top)
        return 2.0 * centre - edge, edge
    guard = d.half_width(2.0 * P_PASS - 1.0) if expanded.u > 0.0 else 0.0
    return (bottom, top - guard) if math.isfinite(top) else (bottom + guard, top)


def u_needed(value: float, expanded: Expanded, low: float | None, high: float | None) -> float | None:
    """The greatest combined u, of the same shape, that would decide this value.

    The present u if it is decided already; None for a value on a limit, where nothing would.
    """
    bottom, top = _limits(low, high)
    if outcome(probability_of_conformity(value, expanded.distribution, low, high)) != "undecided":
        return expanded.u
    factor = _deciding_share(
        lambda share: probability_of_conformity(value, expanded.distribution.scaled(share), low, high),
        bottom < value < top,
        value in (bottom, top),
    )
    return None if factor is None else factor * expanded.u


def improvement(value: float, terms: Sequence[Term], low: float | None, high: float | None) -> Improvement:
    """Which input to improve, and to what contribution, for this value to be decided.

    The largest that decides it alone, and would with all of U `AGAIN` times as large; if none does, the largest. A line
    with parts is improved part by part. Every trial recombines the whole budget, so dof and shape follow the line as it
    shrinks.
    Raises ValueError for a budget without a line above zero.
    """
    bottom, top = _limits(low, high)
    inputs = sorted(_inputs(terms), key=lambda line: -line[2])
    if not inputs:
        raise ValueError("the budget has no line to improve")

    def then(line: Term, u_now: float, share: float) -> Expanded:
        smaller = math.sqrt(max(0.0, line.u**2 - (1.0 - share**2) * u_now**2))
        return combine([replace(term, u=smaller) if term is line else term for term in terms])

    def p(line: Term, u_now: float, share: float) -> float:
        return probability_of_conformity(value, then(line, u_now, share).distribution.scaled(AGAIN), low, high)

    line, part, u_now = inputs[0]
    now = combine(terms)
    if outcome(probability_of_conformity(value, now.distribution, low, high)) != "undecided":
        return Improvement(line.term, part, line.source, u_now, u_now, now.U)
    for line, part, u_now in inputs:
        share = _deciding_share(partial(p, line, u_now), bottom < value < top, value in (bottom, top))
        if share is not None:
            return Improvement(line.term, part, line.source, u_now, share * u_now, then(line, u_now, share).U)
    line, part, u_now = inputs[0]
    return Improvement(line.term, part, line.source, u_now, None, then(line, u_now, 0.0).U)


def could_pass_nothing(terms: Sequence[Term], low: float | None, high: float | None) -> Improvement | None:
    """The obstacle if no value at all could pass, by lines that are known before the measurement.

    It is the improvement that would let the best possible value, the middle, pass. None: some value could pass.
    """
    if acceptance(combine(terms), low, high) is not None:
        return None
    bottom, top = _limits(low, high)
    return improvement(0.5 * (bottom + top), terms, low, high)


def _inputs(terms: Sequence[Term]) -> list[tuple[Term, str | None, float]]:
    """What can be improved separately: each part of a line that has parts, else the line."""
    found: list[tuple[Term, str | None, float]] = []
    for term in terms:
        found += [(term, part.name, part.u) for part in term.parts] if term.parts else [(term, None, term.u)]
    return [line for line in found if line[2] > 0.0]


def _deciding_share(p: Callable[[float], float], inside: bool, on_limit: bool) -> float | None:
    """The greatest share of an uncertainty, below one, at which an undecided p(share) reaches the rule's threshold.

    As the uncertainty shrinks a value inside moves to p = 1 and one outside to p = 0, once the far limit is out of
    play; None if even the share zero leaves it undecided.
    """
    if on_limit:
        return None
    threshold = P_PASS if inside else P_FAIL
    at_zero = p(0.0) - threshold
    if (at_zero < 0.0) == inside:
        return None
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        decided = p(middle) >= threshold if inside else p(middle) <= threshold
        low, high = (middle, high) if decided else (low, middle)
    return low
