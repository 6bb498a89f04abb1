"""Repeated readings against the tables of the GUM."""

from __future__ import annotations

import math

import pytest

from benchd.metrology.repeats import occasions, relative_spread_of_s, repeats

TABLE_1 = (
    "96.90 98.18 98.25 98.61 99.03 99.49 99.56 99.74 99.89 100.07 "
    "100.33 100.42 100.68 100.95 101.11 101.20 101.57 101.84 102.36 102.72"
)


@pytest.mark.published
def test_type_a_evaluation() -> None:
    # JCGM 100, Table 1 and 4.4.3: 20 temperatures: 100.145, s 1.489, u 0.333.
    found = repeats([float(word) for word in TABLE_1.split()])
    assert found.mean == pytest.approx(100.145, abs=6e-4)
    assert found.s == pytest.approx(1.4888, abs=6e-5)
    assert found.u == pytest.approx(0.3329, abs=6e-5)
    assert (found.n, found.dof) == (20, 19)
    assert found.half_width() == pytest.approx(2.093 * 0.3329, abs=1e-3)


@pytest.mark.published
@pytest.mark.parametrize(
    ("n", "share"),
    # JCGM 100, Table E.1, in per cent there; here with two digits more.
    [(2, 0.7555), (3, 0.5227), (4, 0.4220), (5, 0.3630), (10, 0.2388), (20, 0.1633), (30, 0.1319), (50, 0.1013)],
)
def test_how_well_a_spread_is_known(n: int, share: float) -> None:
    assert relative_spread_of_s(n) == pytest.approx(share, abs=5.1e-5)
    if n >= 10:
        assert relative_spread_of_s(n) == pytest.approx(1.0 / math.sqrt(2.0 * (n - 1)), rel=0.02)


@pytest.mark.published
def test_sets_on_several_days() -> None:
    # JCGM 100, H.5, Table H.9: ten days of five readings, in uV about 10 V.
    means = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    spreads = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    found = occasions(means, spreads, 5)
    assert found.mean == pytest.approx(97.1)
    assert found.s_means == pytest.approx(57.09, abs=6e-3)
    assert found.s_a == pytest.approx(127.66, abs=6e-3)
    assert found.s_b == pytest.approx(84.89, abs=6e-3)
    assert found.ratio == pytest.approx(2.26, abs=6e-3)
    assert found.critical == pytest.approx(2.124, abs=6e-4)
    assert found.s_between == pytest.approx(42.64, abs=6e-3)
    assert found.u == pytest.approx(18.05, abs=6e-3)
    assert (found.dof, found.pooled) == (9, False)
    together = occasions(means, spreads, 5, pool=True)
    assert together.u == pytest.approx(13.32, abs=6e-3)
    assert (together.dof, together.pooled) == (49, True)


def test_days_that_do_not_differ_are_pooled_as_one_sample() -> None:
    sets = [[99.0, 101.0, 100.5], [100.2, 98.9, 101.3], [100.1, 99.4, 100.9]]
    each = [repeats(one) for one in sets]
    found = occasions([one.mean for one in each], [one.s for one in each], 3)
    whole = repeats([value for one in sets for value in one])
    assert found.pooled
    assert (found.mean, found.u, found.dof) == pytest.approx((whole.mean, whole.u, whole.dof))


def test_too_few_readings_are_refused() -> None:
    with pytest.raises(ValueError, match="at least two"):
        repeats([1.0])
    with pytest.raises(ValueError, match="at least two"):
        relative_spread_of_s(1)
    with pytest.raises(ValueError, match="two occasions"):
        occasions([1.0, 2.0], [0.1], 5)
