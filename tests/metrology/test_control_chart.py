"""Control charts of single values against the e-Handbook, the textbook's run lengths and counted false alarms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from benchd.metrology.control_chart import (
    BASELINE,
    D2,
    SIGMAS,
    WEIGHT,
    average_half_width,
    averaged,
    judge,
    limits_of,
)

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
TWENTY = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW]
QUIET = [0.0, 1.0] * (BASELINE // 2)
"""Mean .5, each moving range 1: limits .5 +- 2.6587."""


@pytest.mark.published
def test_limits_of_single_values() -> None:
    # NIST/SEMATECH e-Handbook, 6.3.2.2, ten batches (from memory; the figures follow from the data): mean 50.81, mean
    # moving range 1.8778, limits 45.8159 and 55.8041.
    found = limits_of(FLOW)
    assert found.centre == pytest.approx(50.81)
    assert found.s * D2 == pytest.approx(1.8778, abs=5e-5)
    # The handbook divides by 1.128, which d2 is to three decimals; ours is not rounded.
    rounded = abs(D2 / 1.128 - 1.0) * found.half_width
    assert found.centre - found.half_width == pytest.approx(45.8159, abs=rounded + 5e-5)
    assert found.centre + found.half_width == pytest.approx(55.8041, abs=rounded + 5e-5)
    assert not any(found.outside(value) for value in FLOW), "the handbook's batches are in control"


@pytest.mark.published
def test_the_constants() -> None:
    # ASTM E2587 and every textbook's table for ranges of two: d2 1.128, 3/d2 2.660 (from memory); the mean range of two
    # normal values is integrated here.
    mean_range, _ = integrate.quad(lambda r: r * 2.0 * stats.norm.pdf(r, scale=math.sqrt(2.0)), 0.0, np.inf)
    assert pytest.approx(mean_range) == D2
    assert round(D2, 3) == 1.128
    assert round(SIGMAS / 1.128, 2) == 2.66


@pytest.mark.published
def test_the_average() -> None:
    # NIST/SEMATECH e-Handbook, 6.3.2.4 (from memory, and as quoted in a public text): start 50, s 2.0539, weight .3,
    # limits 47.4115 and 52.5884 where the number of values is large.
    average, found = 50.0, []
    for value in TWENTY:
        average = averaged(average, value, 0.3)
        found.append(average)
    assert found == pytest.approx(
        [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
         50.73, 51.23, 51.94, 51.99],
        abs=5.1e-3,
    )  # fmt: skip
    assert average_half_width(2.0539, 1000, 0.3) == pytest.approx(2.5884, abs=1e-4)


def test_limits_of_the_average_are_exact_from_its_first_value_on() -> None:
    """Each average is a sum of independent values with weights that are written out here."""
    for weight in (0.2, 0.3):
        for count in (1, 2, 5, 40):
            squares = math.fsum((weight * (1.0 - weight) ** back) ** 2 for back in range(count))
            assert average_half_width(2.0, count, weight) == pytest.approx(SIGMAS * 2.0 * math.sqrt(squares))


def run_length(shift: float, weight: float, sigmas: float, nodes: int = 80) -> float:
    """Mean number of values until the average lies outside its late limits: the integral equation by quadrature.

    L(u) = 1 + integral of L(y) phi((y - (1 - w) u) / w - shift) / w over the limits (Crowder, Technometrics 29, 1987;
    from memory, and plain from what it says).
    """
    half_width = sigmas * math.sqrt(weight / (2.0 - weight))
    x, w = np.polynomial.legendre.leggauss(nodes)
    y, w = half_width * x, half_width * w

    def kernel(u: np.ndarray) -> np.ndarray:
        density: np.ndarray = stats.norm.pdf((y - (1.0 - weight) * u[:, None]) / weight - shift) / weight
        return density

    lengths = np.linalg.solve(np.eye(nodes) - kernel(y) * w, np.ones(nodes))
    return float(1.0 + (kernel(np.zeros(1)) * w)[0] @ lengths)


@pytest.mark.published
@pytest.mark.parametrize(
    ("weight", "sigmas", "lengths"),
    [
        (0.4, 3.054, (500.0, 224.0, 71.2, 28.4, 14.3)),
        (0.25, 2.998, (500.0, 170.0, 48.2, 20.1, 11.1)),
        (0.2, 2.962, (500.0, 150.0, 41.8, 18.2, 10.5)),
        (0.1, 2.814, (500.0, 106.0, 31.3, 15.9, 10.3)),
    ],
)
def test_run_lengths_of_the_average(weight: float, sigmas: float, lengths: tuple[float, ...]) -> None:
    # Lucas and Saccucci, Technometrics 32 (1990), as in the tables of textbooks (from memory), for shifts of 0, .25,
    # .5, .75 and 1 standard deviation, to three figures.
    found = [run_length(shift, weight, sigmas) for shift in (0.0, 0.25, 0.5, 0.75, 1.0)]
    assert found == pytest.approx(lengths, rel=6e-3)


def test_run_lengths_that_the_module_states() -> None:
    assert 1.0 / (2.0 * stats.norm.sf(SIGMAS)) == pytest.approx(370.0, abs=0.5)
    assert run_length(0.0, WEIGHT, SIGMAS) == pytest.approx(560.0, abs=0.5)


def test_how_often_it_speaks_where_nothing_has_changed() -> None:
    """Charts of independent baselines, 20 values after each."""
    rng = np.random.default_rng(20310402)
    cases = 4000
    charts = [judge(rng.normal(size=BASELINE + 20).tolist()) for _ in range(cases)]
    spoke = {state: sum(chart.state == state for chart in charts) for state in ("not", "drifting", "trusted")}
    assert sum(spoke.values()) == cases
    for count, stated in ((spoke["not"], 0.019), (spoke["not"] + spoke["drifting"], 0.044)):
        # Within what chance allows in 4000 cases at 99.8 %, and half of the last digit stated.
        low, high = stats.binom.interval(0.998, cases, stated)
        assert low - 0.0005 * cases <= count <= high + 0.0005 * cases


def test_how_unlike_baselines_are() -> None:
    """Share of good values outside, exactly for each baseline: its mean and width are numbers then."""
    rng = np.random.default_rng(20310403)
    made = [limits_of(rng.normal(size=BASELINE).tolist()) for _ in range(4000)]
    outside = np.array(
        [stats.norm.sf(one.half_width - one.centre) + stats.norm.cdf(-one.half_width - one.centre) for one in made]
    )
    for share, of_baselines in ((0.0045, 0.5), (0.054, 0.9)):
        low, high = stats.binom.interval(0.998, outside.size, of_baselines)
        assert low <= np.count_nonzero(outside < share) <= high


def test_too_few_until_a_value_comes_after_the_baseline() -> None:
    assert judge([]).state == "too few"
    assert judge(QUIET).state == "too few"
    found = judge([*QUIET, 0.6])
    assert (found.state, found.since, found.deeper) == ("trusted", None, None)
    assert found.averages == (*[None] * BASELINE, pytest.approx(0.2 * 0.6 + 0.8 * 0.5))
    with pytest.raises(ValueError, match="at least two"):
        limits_of([1.0])


def test_outside_and_since_when() -> None:
    assert judge([*QUIET, 0.5 + 2.65]).state == "trusted"
    assert judge([*QUIET, 0.5 + 2.67]).state == "not"
    steady = [*QUIET, 0.4, 0.6]
    found = judge([*steady, 9.0, -9.0, -8.0, -9.5])
    assert (found.state, found.since, found.deeper) == ("not", len(steady) + 1, False)
    assert judge([*steady, 9.0, 0.4, 8.0]).since == len(steady) + 2


def test_a_step_that_single_values_do_not_show_is_a_drift_since_it_came() -> None:
    before = [*QUIET, 0.6, 0.2, 0.6, 0.2]
    for sign in (1.0, -1.0):
        after = [0.5 + sign * step for step in (1.3, 1.6, -0.1, 1.7, 1.3, 1.6, 1.5)]
        found = judge([*before, *after])
        assert (found.state, found.deeper) == ("drifting", sign > 0.0)
        assert found.since == len(before), "although a value in between was on the other side"


def test_a_drift_began_where_the_likelihood_of_a_step_is_largest() -> None:
    """Against the likelihood itself: normal values about the mean before the step, and about their own after it."""
    rng = np.random.default_rng(7)
    told = 0
    for _ in range(200):
        values = [*QUIET, *(0.5 + 0.9 * rng.normal(size=10)), *(1.8 + 0.5 * rng.normal(size=6))]
        found = judge(values)
        assert found.limits is not None
        kept = [i for i in range(BASELINE, len(values)) if not found.limits.outside(values[i])]
        if found.state != "drifting" or not found.deeper:
            continue
        told += 1
        log = {}
        for start in range(len(kept)):
            before, after = ([values[i] for i in part] for part in (kept[:start], kept[start:]))
            level = max(float(np.mean(after)), found.limits.centre)
            log[kept[start]] = float(np.sum(stats.norm.logpdf(before, found.limits.centre, found.limits.s)))
            log[kept[start]] += float(np.sum(stats.norm.logpdf(after, level, found.limits.s)))
        assert found.since == max(log, key=lambda start: log[start])
    assert told > 50


def test_a_lens_that_sat_badly_once_is_no_drift_afterwards() -> None:
    assert judge([*QUIET, 0.4, 60.0]).state == "not"
    after = judge([*QUIET, 0.4, 60.0, 0.6])
    assert after.state == "trusted"
    assert after.averages[-1] == pytest.approx(judge([*QUIET, 0.4, 0.6]).averages[-1])


def test_an_unsteady_baseline_is_told() -> None:
    assert judge([*QUIET, 0.5]).unsteady == ()
    assert judge([*QUIET[:5], 30.0, *QUIET[6:], 0.5]).unsteady == (5,)


@given(
    values=st.lists(st.floats(-50.0, 50.0), min_size=BASELINE + 1, max_size=BASELINE + 30),
    zero=st.floats(-1000.0, 1000.0),
)
def test_mirrored_and_shifted_it_says_the_same(values: list[float], zero: float) -> None:
    """Values on a grid of sixteenths, so that sums are exact and nothing hangs on a rounding."""
    values, zero = [round(16.0 * value) / 16.0 for value in values], float(round(zero))
    found, mirrored = judge(values), judge([-value for value in values])
    assert (mirrored.state, mirrored.since, mirrored.unsteady) == (found.state, found.since, found.unsteady)
    assert mirrored.deeper == (None if found.deeper is None else not found.deeper)
    near = [abs(abs(value - found.limits.centre) - found.limits.half_width) for value in values] if found.limits else []
    if min(near) > 1e-6 and found.state != "drifting":
        shifted = judge([value + zero for value in values])
        assert (shifted.state == "not") == (found.state == "not")
