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
    """u of 1 and 3: weights 9 to 1."""
    found = another_specimen([0.0, 10.0], [1.0, 3.0], stated=1.0)
    assert found.mean == pytest.approx(1.0)
    chi_square = 1.0 / 1.0 + 81.0 / 9.0
    assert found.s == pytest.approx(math.sqrt(chi_square * 2.0 / (1.0 + 1.0 / 9.0)))


def test_what_is_stated_and_what_is_found_are_pooled() -> None:
    """By hand: 2^2 + 1^2 of 8 degrees of freedom and s^2 = 18 of one are (40 + 18) / 9, of which 1 is measuring."""
    found = another_specimen([-3.0, 3.0], [1.0, 1.0], stated=2.0)
    assert found.dof == STATED_DOF + 1
    assert found.u == pytest.approx(math.sqrt((58.0 / 9.0 - 1.0) * 1.5 + 0.5))


def test_those_that_agree_by_chance_make_nobody_surer_than_is_stated() -> None:
    found = another_specimen([2.0, 2.001], [4.0, 4.0], stated=1.0)
    assert found.u == pytest.approx(math.sqrt(1.5 + 8.0))


@pytest.mark.parametrize(("values", "us"), [([], []), ([1.0, 2.0], [1.0, 0.0]), ([1.0, 2.0], [1.0, 1.0, 1.0])])
def test_what_cannot_be_evaluated_is_refused(values: list[float], us: list[float]) -> None:
    with pytest.raises(ValueError, match="each with its uncertainty"):
        another_specimen(values, us, stated=1.0)


@pytest.mark.parametrize("n", [1, 2, 3, 6])
@pytest.mark.parametrize("scatter", [0.2, 1.0, 5.0])
def test_its_interval_holds_the_specimen(n: int, scatter: float) -> None:
    """Where the statement is true; specimens measured to 1."""
    held, draws = held_of(n, scatter, scatter)
    # Degrees of freedom that pool a statement with a scatter are on the safe side, the more so the fewer there are.
    assert stats.binom.ppf(0.001, draws, 0.95) <= held
    assert held / draws < 0.99


@pytest.mark.parametrize("n", [3, 6, 12])
def test_a_statement_that_specimens_contradict_counts_no_more(n: int) -> None:
    """They scatter by 30 where 1 is stated. Of three the odd ones agree by chance, and believe it."""
    held, draws = held_of(n, 30.0, 1.0)
    assert held / draws > (0.93 if n == 3 else 0.945)


def held_of(n: int, scatter: float, stated: float) -> tuple[int, int]:
    rng, held, draws = np.random.default_rng(7), 0, 4000
    for _ in range(draws):
        true, off = scatter * rng.standard_normal(n + 1), rng.standard_normal(n)
        found = another_specimen(list(true[:n] + off), [1.0] * n, stated)
        held += abs(found.mean - true[n]) <= float(stats.t.ppf(0.975, found.dof)) * found.u
    return held, draws
