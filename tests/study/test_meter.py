"""The study's short form for a photodiode behind a slit: intervals of its sweeps against the truth of the optics."""

from __future__ import annotations

import numpy as np
import pytest

from study_meter import STRATA
from study_meter_passes import STRATA as PASSES
from study_plugins import of_plugins

CASES = 12


@pytest.mark.parametrize("stratum", ["reference", "return"])
def test_intervals_hold_the_truth(stratum: str) -> None:
    """A lamp that drifts, told by a reference and by going back to the peak.

    Of twelve a true 95 % holds nine or more but for once in 450 (binomial), and none is as far off as twice that.
    """
    rng = np.random.default_rng(20260101)
    cases = [STRATA[stratum](rng) for _ in range(CASES)]
    off = [abs(case.value - case.truth) / case.U for case in cases]
    assert sum(by <= 1.0 for by in off) >= 9, off
    assert max(off) <= 2.0, off


def test_intervals_of_passes_hold_the_truth() -> None:
    """Of eight a true 95 % holds six or more but for once in 170 (binomial), and none is as far off as twice that.

    Amplifier, ripple and answers are drawn by other distributions than the fit takes them to have."""
    rng = np.random.default_rng(20260101)
    cases = [PASSES["passes"](rng) for _ in range(8)]
    off = [abs(case.value - case.truth) / case.U for case in cases]
    assert sum(by <= 1.0 for by in off) >= 6, off
    assert max(off) <= 2.0, off


def test_the_study_draws_them() -> None:
    assert {f"meter/{name}" for name in (*STRATA, *PASSES)} <= set(of_plugins())
