"""A camera whose bright field reads 90 to 97 % of full scale, where it bends and cuts nothing off.

No single picture shows that; with one wave of spherical aberration at f/5.6 it moves best focus by up to a micrometre.
The stratum is one of `scripts/study`; these are its first cases.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from study_cases import carry_out
from study_strata import STRATA

SEED, CASES = 20260101, 3
NEAR_FULL = STRATA["rendered near full scale"]
LINE = "non-linear pictures"


@pytest.mark.parametrize("index", range(CASES))
def test_a_camera_that_saturates_softly_is_budgeted_for(index: int) -> None:
    """Half of such sweeps bore no word of it, at errors of two to three U."""
    case = carry_out(NEAR_FULL, SEED, index)
    assert case.finding is not None
    assert LINE in [line.term for line in case.finding.budgets["focus_error"]]
    assert any("not known to be linear" in note for note in case.finding.notes)
    assert case.outcome.sweep_covered, case.outcome.parts["sweep"]
    assert case.outcome.covered


def test_the_same_camera_exposed_by_the_bench_needs_no_line() -> None:
    by_itself = replace(NEAR_FULL, light=replace(NEAR_FULL.light, fixed=False))
    case = carry_out(by_itself, SEED, 0)
    assert case.finding is not None
    assert LINE not in [line.term for line in case.finding.budgets["focus_error"]]
    assert case.outcome.sweep_covered, case.outcome.parts["sweep"]
