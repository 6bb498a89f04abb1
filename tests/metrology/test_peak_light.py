"""The uncertainty predicted before a sweep, against the ones that fits then state."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import j1

from benchd.metrology.distribution import coverage_factor
from benchd.metrology.peak import NoPeak, fit_peak, predicted_U_um

HW = 50.0


@pytest.mark.parametrize("n", [9, 13, 21, 41])
@pytest.mark.parametrize("s", [0.003, 0.02])
def test_the_prediction_is_what_fits_state_in_the_median(n: int, s: float) -> None:
    # The curve of a blur disc, as wide as diffraction makes it at f/2.8 and 40 lp/mm.
    rng = np.random.default_rng(100 * n)
    step = 2.1 * HW / n
    stated = []
    for _ in range(300):
        z = rng.uniform(-0.5, 0.5) * step + step * np.arange(-n, n + 1.0)
        q = 2.215089 * np.maximum(np.abs(z), 1e-9) / (1.07 * HW)
        value = np.abs(2.0 * j1(q) / q) + rng.normal(0.0, s, z.size)
        try:
            fit = fit_peak(z, value, s, HW)
        except NoPeak:
            continue
        stated.append(coverage_factor(fit.dof) * fit.u_um)
    assert len(stated) >= 295
    assert predicted_U_um(s, n, HW) == pytest.approx(float(np.median(stated)), rel=0.12)


def test_more_light_and_more_points_help_and_too_few_points_never_do() -> None:
    assert predicted_U_um(0.02, 13, HW) == pytest.approx(2.0 * predicted_U_um(0.01, 13, HW))
    assert predicted_U_um(0.01, 13, 2.0 * HW) == pytest.approx(2.0 * predicted_U_um(0.01, 13, HW))
    by_points = [predicted_U_um(0.01, n, HW) for n in (7, 9, 13, 21, 41, 100)]
    assert by_points == sorted(by_points, reverse=True)
    assert predicted_U_um(0.01, 5, HW) == math.inf
    assert predicted_U_um(0.0, 9, HW) == 0.0
    with pytest.raises(ValueError, match="half-width"):
        predicted_U_um(0.01, 9, 0.0)
