"""An axis in the style of ISO 230-2, by the worked figures of a public report of a real one; a screw taken apart."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from benchd.metrology.axis_test import axis_test, screw_error

UP = """
3.35 2.33 1.72 2.13 1.72 / -.26 .15 .96 .56 .56 / 1.02 -.40 2.25 3.06 4.49 / -8.49 -9.10 -7.88 -9.10 -10.53 /
5.83 6.24 6.85 5.62 5.62
"""
DOWN = """
5.18 5.18 4.16 3.35 3.14 / -3.72 -3.93 -4.33 -4.13 -4.74 / -1.83 -1.63 -.20 -.61 0 / -7.68 -8.09 -7.07 -8.09 -8.49 /
7.05 7.25 7.05 7.05 6.44
"""
"""Deviations (um) of a real axis at 15, 25.2, 35.4, 45.6 and 55.8 mm, five runs each, from a public report of it."""

PLACES, TURN = 200.0 + 730.0 * np.arange(11), 2000.0


def runs_by_places(text: str) -> NDArray[np.float64]:
    return np.array([[float(value) for value in place.split()] for place in text.split("/")]).T


def test_a1_parameters_are_those_of_the_definitions_on_published_readings() -> None:
    """The report's own results agree, but for R and E both ways, where the standard's definitions are followed."""
    found = axis_test(runs_by_places(UP), runs_by_places(DOWN))
    assert found.reversal == pytest.approx(4.564, abs=5e-4)
    repeatability, systematic, accuracy = found.repeatability, found.systematic, found.accuracy
    assert (repeatability.up, repeatability.down, repeatability.both) == pytest.approx((7.502, 3.883, 8.354), abs=5e-4)
    assert (systematic.up, systematic.down, systematic.both) == pytest.approx((15.052, 14.852, 15.988), abs=5e-4)
    assert found.mean_deviation == pytest.approx(14.952, abs=5e-4)
    assert (accuracy.up, accuracy.down, accuracy.both) == pytest.approx((18.065, 16.543, 18.571), abs=5e-4)


def test_tables_that_do_not_match_are_no_axis_test() -> None:
    with pytest.raises(ValueError, match="two tables"):
        axis_test(runs_by_places(UP), runs_by_places(DOWN)[:-1])
    with pytest.raises(ValueError, match="two tables"):
        axis_test(runs_by_places(UP)[:1], runs_by_places(DOWN)[:1])


def test_line_wave_and_reversal_are_told_apart_without_noise() -> None:
    wave = 6.0 * np.sin(2 * np.pi * PLACES / TURN + 1.1)
    up = 40.0 + 4e-4 * PLACES + wave
    found = screw_error(PLACES, up, up + 20.0, TURN)
    assert found.pitch == pytest.approx(4e-4, abs=1e-12)
    assert found.amplitude == pytest.approx(6.0, abs=1e-9)
    assert found.rms == pytest.approx(0.0, abs=1e-9)


def test_stated_uncertainties_hold_the_truth_as_often_as_they_say() -> None:
    """Independent errors of each place; 1,000 cases know their share to 0.7 %."""
    rng = np.random.default_rng(5)
    inside_pitch = inside_wave = 0
    for _ in range(1000):
        pitch, phase = rng.normal(0.0, 4e-4), rng.uniform(0.0, 2 * np.pi)
        up = pitch * PLACES + 6.0 * np.sin(2 * np.pi * PLACES / TURN + phase)
        found = screw_error(PLACES, up + rng.normal(0.0, 1.0, 11), up + rng.normal(0.0, 1.0, 11), TURN)
        k = float(stats.t.ppf(0.975, found.dof))
        inside_pitch += abs(found.pitch - pitch) <= k * found.u_pitch
        inside_wave += abs(found.amplitude - 6.0) <= k * found.u_amplitude
    assert 925 <= inside_pitch <= 975
    assert 925 <= inside_wave <= 975


@pytest.mark.parametrize(
    ("places", "why"),
    [
        (PLACES[:7], "8 over 1.5 or more"),
        (200.0 + 200.0 * np.arange(11), "8 over 1.5 or more"),
        (200.0 + 1000.0 * np.arange(11), "come round"),
    ],
)
def test_places_that_cannot_tell_them_apart_are_refused(places: NDArray[np.float64], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        screw_error(places, places, places, TURN)
