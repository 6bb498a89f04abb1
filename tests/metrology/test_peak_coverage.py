"""Does the stated 95 % interval of best focus hold the truth in 95 % of cases?

Truth is the peak of a transfer function summed over the sheared pupil here, without the project's optics.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.stats import binom

from benchd.metrology.budget import Term, combine
from benchd.metrology.peak import fit_peak

F_NUMBER, LP_MM, WAVELENGTH_MM = 2.8, 40.0, 550e-6
HW = 705.085 * F_NUMBER / LP_MM
CASES = 300


def _through_focus(w040: float) -> CubicSpline:
    """|OTF| at one frequency over defocus in um, by a plain sum over 300 x 300 points of the sheared pupil."""
    shear = LP_MM * WAVELENGTH_MM * F_NUMBER
    side = (np.arange(300) + 0.5) / 150.0 - 1.0
    p, q = np.meshgrid(side, side)
    both = ((p + shear) ** 2 + q**2 <= 1.0) & ((p - shear) ** 2 + q**2 <= 1.0)
    p, q = p[both], q[both]
    ahead, behind = (p + shear) ** 2 + q**2, (p - shear) ** 2 + q**2
    z = np.linspace(-3.0 * HW, 4.0 * HW, 141)
    w020 = -z / (8e3 * F_NUMBER**2 * WAVELENGTH_MM)
    values = [
        abs(np.exp(2j * np.pi * (w040 * (ahead**2 - behind**2) + w * (ahead - behind))).sum()) / (np.pi * 150.0**2)
        for w in w020
    ]
    return CubicSpline(z, values)


@pytest.mark.parametrize(("w040", "seed"), [(0.0, 1001), (0.5, 1002)])
def test_the_interval_holds_the_truth(w040: float, seed: int) -> None:
    curve = _through_focus(w040)
    dense = np.linspace(-1.0 * HW, 2.0 * HW, 60_001)
    truth = float(dense[int(np.argmax(curve(dense)))])
    height = float(curve(truth))
    rng = np.random.default_rng(seed)
    step = 2.1 * HW / 13.0  # 13 points inside +-1.05 half-widths
    held, errors, stated = 0, [], []
    for _ in range(CASES):
        centre = truth + rng.uniform(-0.15, 0.15) * HW + rng.uniform(-0.5, 0.5) * step
        z = centre + step * rng.permutation(np.arange(-10.0, 11.0))
        value = curve(z) + rng.normal(0.0, 0.01 * height, z.size)
        fit = fit_peak(z, value, 0.01 * height, HW)
        interval = combine([Term("sweep", fit.u_um, "A", fit.dof, "case")])
        errors.append(fit.peak_um - truth)
        stated.append(fit.u_um)
        held += abs(errors[-1]) <= interval.U
    # A perfect method stays inside these limits in 99.8 % of studies of this size.
    assert binom.ppf(0.001, CASES, 0.95) <= held <= binom.ppf(0.999, CASES, 0.95)
    assert abs(float(np.mean(errors))) < 4.0 * float(np.std(errors)) / math.sqrt(CASES)
    assert math.sqrt(float(np.mean(np.square(stated)))) == pytest.approx(float(np.std(errors)), rel=0.2)
