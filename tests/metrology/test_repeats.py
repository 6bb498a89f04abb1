"""Repeated readings against the tables of the GUM."""

from __future__ import annotations

import pytest

from benchd.metrology.repeats import repeats

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
    assert found.dof == 19


def test_too_few_readings_are_refused() -> None:
    with pytest.raises(ValueError, match="at least two"):
        repeats([1.0])
