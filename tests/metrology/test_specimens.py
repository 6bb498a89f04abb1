"""A specimen that was not measured, by those that were: against the GUM's table, algebra, and draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from benchd.metrology.specimens import STATED_DOF, another_specimen
from tests.metrology.test_repeats import TABLE_1


@pytest.mark.published
def test_mean_and_scatter_are_those_of_the_gum() -> None:
    # JCGM 100, Table 1 and 4.4.3: 20 temperatures: 100.145, s 1.489. For one more s sqrt(1 + 1/20) = 1.526, where
    # specimens are stated to be alike, which these are not.
    found = another_specimen([float(word) for word in TABLE_1.split()], [0.1] * 20, stated=0.1)
    assert found.mean == pytest.approx(100.145, abs=6e-4)
    assert found.s == pytest.approx(1.4888, abs=6e-5)
    assert found.u == pytest.approx(1.4888 * math.sqrt(1.0 + 1.0 / 20.0), abs=1e-4)
    assert found.dof == 19


def test_one_specimen_differs_from_another_by_root_two_of_what_specimens_scatter() -> None:
    found = another_specimen([7.0], [0.5], stated=2.0)
    assert (found.mean, found.s, found.dof) == (7.0, None, STATED_DOF)
    assert found.u == pytest.approx(math.hypot(2.0 * math.sqrt(2.0), 0.5))


def test_the_surer_specimen_weighs_more() -> None:
    """By hand: 1 + 1 and 1 + 9 weigh five to one, and are together 1 / (1/2 + 1/10); one more differs by 1 beside."""
    found = another_specimen([0.0, 3.0], [1.0, 3.0], stated=1.0)
    assert found.mean == pytest.approx(0.5)
    assert found.s == pytest.approx(3.0 / math.sqrt(2.0))
    assert found.u == pytest.approx(math.sqrt(1.0 + 1.0 / 0.6))


def test_what_is_stated_and_what_is_found_are_pooled() -> None:
    """By hand: of 2^2 + 1^2 each, -4 and 4 have a chi-square of 32 / 5, which with 8 is 1.6 times nine."""
    found = another_specimen([-4.0, 4.0], [1.0, 1.0], stated=2.0)
    assert not found.as_stated
    assert found.dof == STATED_DOF + 1
    assert found.u == pytest.approx(math.sqrt(1.6 * (4.0 + 2.5)))


def test_those_that_agree_by_chance_make_nobody_surer_than_is_stated() -> None:
    found = another_specimen([2.0, 2.001], [4.0, 4.0], stated=1.0)
    assert found.u == pytest.approx(math.sqrt(1.0 + 17.0 / 2.0))


@pytest.mark.parametrize(("values", "us"), [([], []), ([1.0, 2.0], [1.0, 0.0]), ([1.0, 2.0], [1.0, 1.0, 1.0])])
def test_what_cannot_be_evaluated_is_refused(values: list[float], us: list[float]) -> None:
    with pytest.raises(ValueError, match="each with its uncertainty"):
        another_specimen(values, us, stated=1.0)


SURE = ((1.0,), (1.0, 1.0), (0.3, 3.0), (1.0, 1.0, 1.0), (0.3, 1.0, 3.0), (1.0, 0.5, 1.0, 2.0, 1.0, 0.5))
"""What specimens are measured to."""


@pytest.mark.parametrize("us", SURE)
@pytest.mark.parametrize("scatter", [0.2, 1.0, 5.0])
def test_its_interval_holds_the_specimen(us: tuple[float, ...], scatter: float) -> None:
    """Where the statement is true. Degrees of freedom that pool it with a scatter are on the safe side."""
    held, draws = held_of(us, scatter, scatter)
    assert stats.binom.ppf(0.001, draws, 0.95) <= held
    assert held / draws < 0.99


@pytest.mark.parametrize("us", [(1.0,) * 6, (1.0, 0.5, 1.0, 2.0, 1.0, 0.5), (1.0,) * 12])
def test_a_statement_that_specimens_contradict_counts_no_more(us: tuple[float, ...]) -> None:
    """They scatter by 30 where 1 is stated, and six hardly ever agree by chance."""
    held, draws = held_of(us, 30.0, 1.0)
    assert stats.binom.ppf(0.001, draws, 0.95) <= held


def held_of(us: tuple[float, ...], scatter: float, stated: float) -> tuple[int, int]:
    rng, held, draws, n = np.random.default_rng(7), 0, 4000, len(us)
    for _ in range(draws):
        true, off = scatter * rng.standard_normal(n + 1), np.array(us) * rng.standard_normal(n)
        found = another_specimen(list(true[:n] + off), us, stated)
        held += abs(found.mean - true[n]) <= float(stats.t.ppf(0.975, found.dof)) * found.u
    return held, draws
