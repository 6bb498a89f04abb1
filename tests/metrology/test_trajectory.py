"""Mean positions of a polygon against numpy's interpolation on a fine grid, and motions known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.metrology.trajectory import Trajectory


def test_mean_is_that_of_a_fine_grid_by_numpy() -> None:
    rng = np.random.default_rng(1)
    t = 5000.0 + np.cumsum(rng.uniform(0.002, 0.02, 80))
    z = np.cumsum(rng.normal(4.0, 1.0, 80))
    way = Trajectory(t, z)
    middles, exposed = rng.uniform(t[0] + 0.05, t[-1] - 0.05, 50), rng.uniform(0.001, 0.08, 50)
    for middle, over, found in zip(middles, exposed, way.mean_um(middles, exposed), strict=True):
        grid = middle + over * (np.arange(20_000) + 0.5 - 10_000) / 20_000
        assert found == pytest.approx(np.interp(grid, t, z).mean(), abs=1e-6)


def test_ramps_and_constant_speed_are_told_to_what_polling_leaves() -> None:
    """A ramp between polls h apart lies a h^2 / 12 off its chord in the mean (a trapezoid's error), no steady pass."""
    a, speed, h = 20_000.0, 400.0, 0.008
    ramp_s = speed / a
    t = np.arange(0.0, 1.0, h)
    z = np.where(t < ramp_s, 0.5 * a * t**2, 0.5 * a * ramp_s**2 + speed * (t - ramp_s))
    way = Trajectory(t, z)
    steady = way.mean_um(np.array([0.2, 0.5005, 0.9]), 0.01)
    assert steady == pytest.approx(0.5 * a * ramp_s**2 + speed * (np.array([0.2, 0.5005, 0.9]) - ramp_s), abs=1e-9)
    assert way.mean_um(h, 2 * h) == pytest.approx(a * (2 * h) ** 2 / 6 + a * h**2 / 12, rel=1e-9)
    assert way.speed_um_s([0.3, 0.7], 0.02) == pytest.approx([speed, speed])


def test_what_was_not_polled_is_not_known() -> None:
    way = Trajectory([1.0, 2.0, 3.0], [0.0, 10.0, 20.0])
    assert np.isnan(way.mean_um([1.0, 2.99, 0.5, 3.5], 0.1)).all()
    assert way.mean_um([1.05, 2.0], [0.1, 0.0]) == pytest.approx([0.5, 10.0])
    assert (way.began_s, way.longest_gap_s) == (1.0, 1.0)


@pytest.mark.parametrize(
    ("t", "z"), [([1.0], [1.0]), ([1.0, 1.0], [0.0, 1.0]), ([1.0, 2.0], [0.0, np.nan]), ([1.0, 2.0], [0.0])]
)
def test_no_trajectory(t: list[float], z: list[float]) -> None:
    with pytest.raises(ValueError, match=r"trajectory|times"):
        Trajectory(t, z)
