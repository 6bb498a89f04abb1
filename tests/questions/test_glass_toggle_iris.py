"""The iris by the width of the curves, against a transfer function that shares no code with the bench's."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.metrology.peak import fit_peak
from benchd.optics.diffraction import f_number_of_hwhm, ideal_hwhm_um
from benchd.optics.focus_depth import half_width_um
from benchd.optics.plate_focus import F_NUMBER_REL
from benchd.questions.glass_toggle.iris import WIDENED_REL, iris_of
from benchd_simulators.world.lens import Optic

LP_MM, LIGHT_NM = 40.0, 546.074


def width_um(f_number: float, w040_waves: float, step: float) -> float:
    """Half-width of the bench's own fit on the simulator's curve."""
    half = half_width_um(f_number, LP_MM)
    z = np.arange(-1.9, 1.9, step) * half
    lens = Optic(f_number, 0.0, (w040_waves * LIGHT_NM / 1000.0,))
    value = lens.modulation(LP_MM, z + lens.peak_um(LP_MM))
    return fit_peak(z, value, 0.01, half).hwhm_um


@pytest.mark.parametrize("f_number", [4.0, 5.6, 6.2, 8.0])
@pytest.mark.parametrize("w040_waves", [-1 / 16, 0.0, 1 / 16])
@pytest.mark.parametrize("step", [0.1, 0.17, 0.22])
def test_a_lens_closed_by_two_stops_is_as_wide_as_its_f_number_says(
    f_number: float, w040_waves: float, step: float
) -> None:
    found = f_number_of_hwhm(width_um(f_number, w040_waves, step), LP_MM, LIGHT_NM)
    assert abs(found / f_number - 1.0) <= WIDENED_REL


@pytest.mark.parametrize("f_number", [0.7, 2.0, 5.6, 11.0])
def test_width_and_f_number_are_one_anothers_inverse(f_number: float) -> None:
    assert f_number_of_hwhm(ideal_hwhm_um(f_number, LP_MM, LIGHT_NM), LP_MM, LIGHT_NM) == pytest.approx(
        f_number, rel=1e-3
    )


def iris(stated: float, really: float, open_f_number: float = 2.0) -> tuple[float, float, str | None]:
    widths = [ideal_hwhm_um(really, LP_MM, LIGHT_NM) * (1.0 + off) for off in (-0.002, 0.001, 0.002, -0.001)]
    found = iris_of(widths, stated, open_f_number=open_f_number, lp_mm=LP_MM, light_nm=LIGHT_NM, u_frequency_rel=0.005)
    return found.f_number, found.u_rel, found.note


def test_a_closed_iris_is_told_by_the_curves() -> None:
    f_number, u_rel, note = iris(5.6, 5.4)
    assert f_number == pytest.approx(5.4, rel=2e-3)
    assert u_rel == pytest.approx(math.hypot(0.005, WIDENED_REL / math.sqrt(3.0), 0.0009), rel=0.05)
    assert note is None


def test_a_lens_that_is_hardly_closed_is_taken_as_stated() -> None:
    """Its own aberration widens the curve there."""
    assert iris(2.8, 3.2) == (2.8, F_NUMBER_REL / math.sqrt(3.0), None)


def test_an_iris_that_is_not_closed_as_stated_is_told() -> None:
    f_number, _, note = iris(5.6, 8.0)
    assert f_number == pytest.approx(8.0, rel=2e-3)
    assert note is not None
    assert "f/8.0, where f/5.6 is stated" in note


def test_a_width_of_no_lens_leaves_the_iris_as_stated() -> None:
    found = iris_of([1e6], 5.6, open_f_number=2.0, lp_mm=LP_MM, light_nm=LIGHT_NM, u_frequency_rel=0.005)
    assert found.f_number == 5.6
