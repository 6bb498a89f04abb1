"""A specimen that was not measured, by those that were: against the GUM's table, algebra, and draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from benchd.metrology.specimens import another_specimen
from tests.metrology.test_repeats import TABLE_1


@pytest.mark.published
def test_mean_and_scatter_are_those_of_the_gum() -> None:
    # JCGM 100, Table 1 and 4.4.3: 20 temperatures: 100.145, s 1.489. For one more s sqrt(1 + 1/20) = 1.526.
    found = another_specimen([float(word) for word in TABLE_1.split()], [0.1] * 20)
    assert found.mean == pytest.approx(100.145, abs=6e-4)
    assert found.s == pytest.approx(1.4888, abs=6e-5)
    assert found.u == pytest.approx(1.4888 * math.sqrt(1.0 + 1.0 / 20.0), abs=1e-4)
    assert found.dof == 19


def test_two_specimens() -> None:
    """By hand: s of -3 and 5 is 8 / sqrt 2, and u is s sqrt 1.5 with one degree of freedom."""
    found = another_specimen([-3.0, 5.0], [0.5, 0.5])
    assert found.mean == pytest.approx(1.0)
    assert found.dof == 1
    assert found.s == pytest.approx(8.0 / math.sqrt(2.0))
    assert found.u == pytest.approx(8.0 / math.sqrt(2.0) * math.sqrt(1.5))


def test_the_surer_specimen_weighs_more() -> None:
    """u of 1 and 3: weights 9 to 1."""
    found = another_specimen([0.0, 10.0], [1.0, 3.0])
    assert found.mean == pytest.approx(1.0)
    chi_square = 1.0 / 1.0 + 81.0 / 9.0
    assert found.s == pytest.approx(math.sqrt(chi_square * 2.0 / (1.0 + 1.0 / 9.0)))


def test_those_that_agree_by_chance_make_nobody_sure() -> None:
    found = another_specimen([2.0, 2.001], [4.0, 4.0])
    assert found.u == pytest.approx(4.0)
    assert found.dof == 1, "nor is it better known how sure"


@pytest.mark.parametrize("us", [[1.0], [1.0, 0.0], [1.0, 1.0, 1.0]])
def test_too_few_are_refused(us: list[float]) -> None:
    with pytest.raises(ValueError, match="at least two"):
        another_specimen([1.0, 2.0][: len(us)], us)


@pytest.mark.parametrize(("n", "scatter"), [(2, 30.0), (3, 30.0), (6, 30.0), (2, 1.0), (3, 0.0), (6, 1.0)])
def test_its_interval_holds_the_specimen(n: int, scatter: float) -> None:
    """Where specimens scatter, a t interval of n - 1 holds the next in 95 %, and more by what the measuring adds to s;
    where they do not, or no more than they are measured, in more still."""
    rng, held, draws = np.random.default_rng(7), 0, 4000
    for _ in range(draws):
        true, off = scatter * rng.standard_normal(n + 1), rng.standard_normal(n)
        found = another_specimen(list(true[:n] + off), [1.0] * n)
        held += abs(found.mean - true[n]) <= float(stats.t.ppf(0.975, found.dof)) * found.u
    share = held / draws
    assert share > 0.94, share
    if scatter == 30.0:
        assert share < 0.96, share
