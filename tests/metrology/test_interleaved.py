"""A-B-B-A against drifts of several kinds."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable

import numpy as np
import pytest

from benchd.metrology.budget import combine
from benchd.metrology.interleaved import drift_free_difference

STEP = 12.0


def _taken(drift: Callable[[float], float]) -> list[float]:
    return [side + drift(t) for t, side in enumerate((100.0, 100.0 + STEP, 100.0 + STEP, 100.0))]


def test_a_linear_drift_leaves_nothing() -> None:
    found = drift_free_difference(_taken(lambda t: 3.0 * t), [0.0] * 4)
    assert found.difference == pytest.approx(STEP)
    assert found.drift == pytest.approx(3.0)
    assert found.bend == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("tau", [0.7, 1.5, 4.0, 20.0])
@pytest.mark.parametrize("amount", [-9.0, 4.0])
def test_a_settling_drift_leaves_exactly_the_stated_bend(tau: float, amount: float) -> None:
    found = drift_free_difference(_taken(lambda t: amount * math.exp(-t / tau)), [0.0] * 4)
    assert abs(found.difference - STEP) == pytest.approx(found.bend, rel=1e-6)
    assert found.bend > 0.0


def test_a_bend_inside_the_scatter_is_not_claimed() -> None:
    found = drift_free_difference([0.0, 5.0, 5.1, 0.4], [0.3] * 4)
    assert found.bend == 0.0
    assert found.u_readings == pytest.approx(0.3)
    lines = found.terms("r-1")
    assert [line.term for line in lines] == ["readings", "drift"]
    assert combine(lines).u == pytest.approx(0.3)


def test_the_interval_holds_the_difference_under_noise() -> None:
    rng = np.random.default_rng(41)
    errors, held = [], 0
    for _ in range(1000):
        values = [v + e for v, e in zip(_taken(lambda t: 1.5 * t), rng.normal(0.0, 0.5, 4), strict=True)]
        found = drift_free_difference(values, [0.5] * 4)
        errors.append(found.difference - STEP)
        held += abs(errors[-1]) <= combine(found.terms("r-1")).U
    assert statistics.stdev(errors) == pytest.approx(0.5, rel=0.08)
    assert held >= 936  # 95 % less two standard deviations: the bend line may widen it, never narrow it


def test_degrees_of_freedom_combine() -> None:
    found = drift_free_difference([0.0, 5.0, 5.0, 0.0], [0.3] * 4, [7.0] * 4)
    assert found.dof == pytest.approx(28.0)
