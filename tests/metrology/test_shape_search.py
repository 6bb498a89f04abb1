"""The search for a curve of a family: its derivatives against differences, and the two valleys that a skew leaves.

All but the valleys are of a family of cusps that nothing of optics is in: the parameter skews them.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from benchd.metrology.shape_family import Family, Shapes
from benchd.metrology.shape_search import FREE, Search, jacobian, model
from benchd.optics.slit import diffraction_over_slit, slit_table

Floats = NDArray[np.float64]
HALF_UM = 50.0
Z = np.linspace(-80.0, 80.0, 41)
FOUND = np.array([3.0, 0.8, 0.7, 1.1, 0.1, 0.02])


def light(u: Floats, shape: float) -> Floats:
    """A rounded cusp with shoulders, its top off the middle by a third of its shape."""
    x = u - shape / 3.0
    return np.asarray(1.0 / (1.0 + np.sqrt(x**2 + 0.01)) + 0.1 * shape * x * np.exp(-(x**2)), dtype=np.float64)


@pytest.fixture(scope="module")
def family() -> Family:
    u, shape = np.linspace(-3.6, 3.6, 145), np.linspace(-2.0, 2.0, 17)
    return Family(Shapes(u, shape, np.stack([light(u, one) for one in shape], axis=1)))


def test_curves_are_counted_from_their_peaks(family: Family) -> None:
    fine = np.linspace(-3.6, 3.6, 72001)
    for shape in (-1.3, 0.0, 0.6):  # between entries of the table too
        exact = light(fine, shape)
        top = float(fine[int(np.argmax(exact))])
        beyond = np.linspace(-1.5, 1.5, 61)
        assert family.curve(beyond, shape) == pytest.approx(light(beyond + top, shape) / exact.max(), abs=2e-3)


def test_derivatives_are_those_of_the_model(family: Family) -> None:
    steps = 1e-5 * np.array([HALF_UM, 1.0, 1.0, 1.0, 1.0, 1.0])
    for i, slopes in enumerate(jacobian(family, Z, HALF_UM, FOUND).T):
        by = np.where(np.arange(6) == i, steps, 0.0)
        after, before = (model(family, Z, HALF_UM, FOUND + sign * by) for sign in (1.0, -1.0))
        assert slopes == pytest.approx((after - before) / (2.0 * steps[i]), abs=1e-6)


def test_chi_square_falls_as_its_derivatives_say(family: Family) -> None:
    """With height and pedestal following each trial."""
    rng = np.random.default_rng(2)
    v = model(family, Z, HALF_UM, FOUND) + 0.01 * rng.standard_normal(Z.size)
    search = Search(family, Z, v, np.full(Z.size, 100.0), HALF_UM)
    trial = FOUND[FREE] + np.array([4.0, -0.3, 0.05, 0.01])
    downhill = 2.0 * search.off(trial) @ search.by(trial)
    for i, step in enumerate(1e-5 * np.array([HALF_UM, 1.0, 1.0, 1.0])):
        by = np.where(np.arange(4) == i, step, 0.0)
        after, before = (float(np.sum(search.off(trial + sign * by) ** 2)) for sign in (1.0, -1.0))
        assert downhill[i] == pytest.approx((after - before) / (2.0 * step), rel=1e-4)


def test_where_noise_leaves_two_valleys_the_interval_holds_both_peaks() -> None:
    """A slit of 25 um at f/2, half a wave, places known to 1.5 um: the other skew, the scale bent, may do as well."""
    family = Family(Shapes(*slit_table(diffraction_over_slit(2.0, 25.0, 546.0), 3.6, 2.0)))
    true, half_um, z = np.array([0.0, 1.0, 0.5, 1.0, 0.0, 0.0]), 59.6, np.linspace(-95.0, 95.0, 39)
    sd = 1.5 * np.hypot(0.002, jacobian(family, z, half_um, true)[:, 0])
    k, both = 2.0, 0
    for seed in range(30):
        v = model(family, z, half_um, true) + sd * np.random.default_rng([11, seed]).standard_normal(z.size)
        search = Search(family, z, v, 1.0 / sd, half_um)
        one, other = search.valleys()
        least, next_least = (float(np.sum(search.off(found[FREE]) ** 2)) for found in (one, other))
        assert least <= next_least * (1.0 + 1e-6)
        apart = abs(one[0] - other[0])
        if apart > 0.5 and next_least < least + k**2:
            both += 1
            assert k * search.reaches([one, other], 0.1, 1.0, k)[0] > apart
    assert both >= 3, "else nothing was looked at"
