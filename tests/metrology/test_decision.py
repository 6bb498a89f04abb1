"""The decision rule against JCGM 106 and ISO 14253-1."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.metrology.budget import Expanded, Part, Term, combine
from benchd.metrology.decision import (
    AGAIN,
    acceptance,
    could_pass_nothing,
    decide,
    improvement,
    probability_of_conformity,
    u_needed,
)


def _normal(u: float) -> Expanded:
    return combine([Term("all", u, "B", None, "given")])


@pytest.mark.published
@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_conformance_probability_one_sided(p: float, z: float) -> None:
    # JCGM 106:2012, Table 1 (place quoted from memory): p = Phi(z), z the distance to the limit in u.
    assert probability_of_conformity(-z, _normal(1.0).distribution, None, 0.0) == pytest.approx(p, abs=3e-3)
    assert probability_of_conformity(z, _normal(1.0).distribution, 0.0, None) == pytest.approx(p, abs=3e-3)


@pytest.mark.published
def test_margin_of_one_point_four_u() -> None:
    # Phi(1.4) = .9192.
    assert probability_of_conformity(-1.4, _normal(1.0).distribution, None, 0.0) == pytest.approx(0.9192, abs=5e-5)


@pytest.mark.published
@pytest.mark.parametrize(
    ("value", "u", "p"),
    # ISO 14253-1:2017 with 95 % conformance probability, tolerance +-10; both limits (normal distribution).
    [
        (6.5, 2.0, 0.95994),
        (6.70, 2.0, 0.95053),
        (6.72, 2.0, 0.94950),
        (10.0, 2.0, 0.50000),
        (13.28, 2.0, 0.05050),
        (13.30, 2.0, 0.04947),
        (0.0, 5.0, 0.95450),
        (1.0, 5.0, 0.95017),
        (2.0, 5.0, 0.93700),
    ],
)
def test_conformance_probability_two_sided(value: float, u: float, p: float) -> None:
    verdict = decide(value, _normal(u), -10.0, 10.0)
    assert verdict.p_conform == pytest.approx(p, abs=6e-6)
    assert verdict.is_ == ("pass" if p >= 0.95 else "fail" if p <= 0.05 else "undecided")
    assert decide(-value, _normal(u), -10.0, 10.0).p_conform == pytest.approx(p, abs=6e-6)


@pytest.mark.published
def test_guard_band() -> None:
    # Same source: guard band 1.65 u (1.6449), so pass to 6.7 and fail beyond 13.3 at u = 2; not the older U(k = 2),
    # which would pass to 6.0 only.
    accepted = acceptance(_normal(2.0), -10.0, 10.0)
    assert accepted == pytest.approx((-6.7103, 6.7103), abs=1e-3)
    assert decide(13.2, _normal(2.0), -10.0, 10.0).is_ == "undecided"
    assert decide(13.3, _normal(2.0), -10.0, 10.0).is_ == "fail"
    one_sided = acceptance(_normal(2.0), None, 10.0)
    assert one_sided == pytest.approx((-math.inf, 10.0 - 1.6449 * 2.0), abs=1e-3)
    assert acceptance(_normal(2.0), -10.0, None) == pytest.approx((-10.0 + 1.6449 * 2.0, math.inf), abs=1e-3)


def test_a_bench_that_could_pass_nothing_is_seen_beforehand() -> None:
    # JCGM 106: with u = 5 um even a perfect lens has p = .9545 within +-10 um; with 5.2 um it has less than .95.
    assert could_pass_nothing((Term("conjugate", 5.0, "B", None, "tape"),), -10.0, 10.0) is None
    step = could_pass_nothing((Term("conjugate", 5.2, "B", None, "tape"),), -10.0, 10.0)
    assert step is not None
    # The half-width of 95 % of a normal fits, and of one that comes out a percent larger.
    assert step.u_needed == pytest.approx(10.0 / 1.95996 / AGAIN, abs=1e-3)


def test_a_bench_that_could_pass_nothing_says_so() -> None:
    verdict = decide(0.0, _normal(6.0), -10.0, 10.0)
    assert (verdict.is_, verdict.acceptance) == ("undecided", None)
    limit = 10.0 / 1.95996  # at mid-tolerance 2.5 % may lie beyond either limit
    assert acceptance(_normal(0.999 * limit), -10.0, 10.0) is not None
    assert acceptance(_normal(1.001 * limit), -10.0, 10.0) is None


@pytest.mark.parametrize("value", [7.5, -9.0, 10.8, -12.9])
def test_the_needed_uncertainty_decides_and_a_little_more_does_not(value: float) -> None:
    now = _normal(2.0)
    needed = u_needed(value, now, -10.0, 10.0)
    assert needed is not None
    assert needed < 2.0
    assert decide(value, now, -10.0, 10.0).u_needed == needed
    assert decide(value, _normal(needed), -10.0, 10.0).is_ == ("pass" if abs(value) < 10.0 else "fail")
    assert decide(value, _normal(1.001 * needed), -10.0, 10.0).is_ == "undecided"


def test_on_the_limit_nothing_decides_and_what_is_decided_needs_nothing() -> None:
    assert u_needed(10.0, _normal(2.0), -10.0, 10.0) is None
    assert u_needed(1.0, _normal(2.0), -10.0, 10.0) == 2.0
    assert decide(1.0, _normal(2.0), -10.0, 10.0).u_needed is None


def test_the_line_to_improve() -> None:
    terms = [Term("conjugate", 2.9, "B", None, "setup-1"), Term("base", 1.8, "B", 12.0, "cal-7")]
    better = improvement(6.0, terms, -10.0, 10.0)
    assert (better.dominant, better.source, better.u_now) == ("conjugate", "setup-1", 2.9)
    assert better.u_needed is not None
    # Enough even where all comes out a percent larger, and not more than is enough.
    for times, outcome in ((1.0, "pass"), (0.999 * AGAIN, "pass"), (1.001 * AGAIN, "undecided")):
        shrunk = [("conjugate", better.u_needed, None), ("base", 1.8, 12.0)]
        again = combine([Term(name, times * u, "B", dof, "again") for name, u, dof in shrunk])
        assert decide(6.0, again, -10.0, 10.0).is_ == outcome
    # Either line alone leaves 9.0 undecided: no single improvement is enough, and the largest is named.
    hopeless = improvement(9.0, terms, -10.0, 10.0)
    assert (hopeless.dominant, hopeless.u_needed) == ("conjugate", None)
    with pytest.raises(ValueError, match="no line"):
        improvement(9.0, [], -10.0, 10.0)


def test_the_part_of_a_line_is_named_that_helps() -> None:
    """A line of m 1.1, gap 1.0 and distance .3: better m decides, and what is told is m, not 'm and the distance'."""
    parts = (Part("m", 1.1), Part("gap", 1.0), Part("distance", 0.3))
    line = Term("conjugate", math.hypot(1.1, 1.0, 0.3), "B", None, "m and distance measured", parts=parts)
    terms = [line, Term("joints", 0.99, "B", None, "bench file")]
    # One-sided 1.645 u fits into 2.8 um at u = 1.70, of which a percent is left for the next measurement's scatter; the
    # joints, the gap and the distance take 1.44 of it.
    better = improvement(7.2, terms, -10.0, 10.0)
    assert (better.dominant, better.part, better.u_now) == ("conjugate", "m", 1.1)
    assert better.u_needed == pytest.approx(math.sqrt((1.702 / AGAIN) ** 2 - 0.99**2 - 1.0 - 0.09), abs=0.01)
    # Where the largest cannot decide it alone but a smaller one can, that one is told.
    lines = [Term("a", 1.166, "B", None, "x", parts=(Part("p", 0.6), Part("q", 1.0))), Term("b", 0.9, "B", 4.0, "y")]
    assert improvement(8.05, lines, -10.0, 10.0).dominant == "b"


def test_what_U_would_then_be_of_normal_lines() -> None:
    """By the closed form: U = 1.95996 of the root sum of squares, the one contribution as needed (JCGM 100, 6.3.3)."""
    parts = (Part("m", 1.1), Part("gap", 1.0), Part("distance", 0.3))
    line = Term("conjugate", math.hypot(1.1, 1.0, 0.3), "B", None, "m and distance measured", parts=parts)
    better = improvement(7.2, [line, Term("joints", 0.99, "B", None, "bench file")], -10.0, 10.0)
    assert better.u_needed is not None
    assert better.U_then == pytest.approx(1.95996 * math.hypot(better.u_needed, 1.0, 0.3, 0.99), rel=1e-5)
    # One-sided 1.64485 u has to fit into the 2.8 um to the limit; the far one is out of play.
    assert better.U_then == pytest.approx(1.95996 * 2.8 / 1.64485 / AGAIN, rel=1e-4)
    # Where no single one decides: with the largest gone altogether, which still would not.
    hopeless = improvement(9.0, [line, Term("joints", 0.99, "B", None, "bench file")], -10.0, 10.0)
    assert (hopeless.part, hopeless.u_needed) == ("m", None)
    assert hopeless.U_then == pytest.approx(1.95996 * math.hypot(1.0, 0.3, 0.99), rel=1e-5)
    assert improvement(1.0, [line], -10.0, 10.0).U_then == combine([line]).U, "decided as it is"


@pytest.mark.published
def test_what_U_would_then_be_of_few_readings() -> None:
    # JCGM 100, Table G.2: t of 95 % is 2.78 at four degrees of freedom, 2.31 at eight. Without the tape only the base
    # is left, and its k; two lines of four degrees of freedom and as large have eight together (G.2b).
    tape, base = Term("tape", 2.5, "B", None, "setup-1"), Term("base", 1.0, "A", 4.0, "cal-7")
    gone = improvement(9.5, [tape, base], -10.0, 10.0)
    assert (gone.dominant, gone.u_needed) == ("tape", None)
    assert gone.U_then == pytest.approx(2.78, abs=0.005)
    gone = improvement(9.5, [tape, base, Term("adapter", 1.0, "A", 4.0, "cal-8")], -10.0, 10.0)
    assert gone.U_then == pytest.approx(2.31 * math.sqrt(2.0), abs=0.01)


@pytest.mark.parametrize("value", [6.5, 8.4, -7.4, 12.5])
def test_what_U_would_then_be_where_a_bound_rules(value: float) -> None:
    """Against drawn errors (JCGM 101, 7): 95 % of them within U, and of all truths 95 % or 5 % inside the limits."""
    lines = [Term("zero", 3.5, "B", None, "bound", "rectangular"), Term("sweep", 0.5, "B", None, "r-1")]
    then = improvement(value, lines, -10.0, 10.0)
    assert then.dominant == "zero"
    assert then.u_needed is not None
    rng = np.random.default_rng(20260101)
    half = math.sqrt(3.0) * then.u_needed
    error = rng.uniform(-half, half, 2_000_000) + 0.5 * rng.standard_normal(2_000_000)
    assert then.U_then == pytest.approx(np.quantile(np.abs(error), 0.95), rel=3e-3)
    inside = np.mean(np.abs(value - AGAIN * error) < 10.0)
    assert inside == pytest.approx(0.95 if abs(value) < 10.0 else 0.05, abs=1e-3)


def test_the_probability_comes_from_the_interval_s_own_distribution() -> None:
    # A rectangular zero of +-8 seen at 1.0 under +-10: nothing outside is possible, where a normal says 4 %.
    flat = combine([Term("zero", 8.0 / math.sqrt(3.0), "B", None, "given", "rectangular")])
    assert decide(1.0, flat, -10.0, 10.0).p_conform == 1.0
    # At the edge of the 95 % interval of few readings, 2.5 % lie beyond by t as well.
    few = combine([Term("readings", 2.0, "A", 4.0, "r-1")])
    assert probability_of_conformity(10.0 - few.U, few.distribution, None, 10.0) == pytest.approx(0.975, abs=1e-9)


def test_limits_must_leave_room() -> None:
    for low, high in ((1.0, 1.0), (2.0, 1.0), (None, None)):
        with pytest.raises(ValueError, match="low limit"):
            decide(0.0, _normal(1.0), low, high)


def test_an_exact_value_is_judged_too() -> None:
    exact = combine([])
    assert decide(9.0, exact, -10.0, 10.0).is_ == "pass"
    assert decide(11.0, exact, -10.0, 10.0).is_ == "fail"
    assert acceptance(exact, -10.0, 10.0) == (-10.0, 10.0)
