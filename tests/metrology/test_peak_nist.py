"""The peak fit on certified data: NIST's Gaussian peaks."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from benchd.metrology.distribution import coverage_factor
from benchd.metrology.peak import NoPeak, fit_peak

DATA = Path(__file__).parent.parent / "data" / "nist"

# NIST StRD Gauss1 (250 points) and Eckerle4 (35 points), certified values.
B1, B2 = 98.778210871, 0.010497276517
B3, B4, B5 = 100.48990633, 67.481111276, 23.129773360
B6, B7, B8 = 71.994503004, 178.99805021, 18.389389025
E1, E2, E3 = 1.5543827178, 4.0888321754, 451.54121844


def _data(name: str) -> tuple[np.ndarray, np.ndarray]:
    y, x = np.loadtxt(DATA / name, skiprows=60, unpack=True)
    return x, y


def _decay(x: np.ndarray) -> np.ndarray:
    return np.asarray(B1 * np.exp(-B2 * x))


def _peaks(x: np.ndarray) -> np.ndarray:
    return np.asarray(B3 * np.exp(-(((x - B4) / B5) ** 2)) + B6 * np.exp(-(((x - B7) / B8) ** 2)))


def _eckerle(x: np.ndarray) -> np.ndarray:
    return np.asarray(E1 / E2 * np.exp(-0.5 * ((x - E3) / E2) ** 2))


@pytest.mark.published
def test_the_copied_files_are_the_certified_ones() -> None:
    # Residual sums of squares certified by NIST: 1315.8222432 and 1.4635887487e-3.
    x, y = _data("Gauss1.dat")
    assert x.size == 250
    assert np.sum((y - _decay(x) - _peaks(x)) ** 2) == pytest.approx(1315.8222432, abs=1e-6)
    x, y = _data("Eckerle4.dat")
    assert x.size == 35
    assert np.sum((y - _eckerle(x)) ** 2) == pytest.approx(1.4635887487e-3, abs=1e-12)


@pytest.mark.published
@pytest.mark.parametrize(("place", "width"), [(B4, B5), (B7, B8)])
def test_both_peaks_of_the_certified_model(place: float, width: float) -> None:
    half_width = width * math.sqrt(math.log(2.0))
    x = np.linspace(place - 1.4 * half_width, place + 1.4 * half_width, 25)
    assert fit_peak(x, _peaks(x), 1.0, half_width).peak_um == pytest.approx(place, abs=0.002 * half_width)


@pytest.mark.published
@pytest.mark.parametrize(("place", "width"), [(B4, B5), (B7, B8)])
def test_both_peaks_on_their_decay(place: float, width: float) -> None:
    # The decay moves the maxima; where to, a search on the certified model says.
    half_width = width * math.sqrt(math.log(2.0))
    x = np.linspace(place - 1.4 * half_width, place + 1.4 * half_width, 25)
    top = minimize_scalar(
        lambda at: -float(_decay(np.array(at)) + _peaks(np.array(at))),
        bounds=(place - 5.0, place + 5.0),
        method="bounded",
    ).x
    level = float(_decay(np.array(place + 1.4 * half_width)))
    assert fit_peak(x, _decay(x) + _peaks(x) - level, 1.0, half_width).peak_um == pytest.approx(
        top, abs=0.01 * half_width
    )


@pytest.mark.published
@pytest.mark.parametrize(("place", "width", "se"), [(B4, B5, 0.10460593), (B7, B8, 0.12436988)])
def test_both_peaks_from_the_measured_points(place: float, width: float, se: float) -> None:
    # The certified decay is taken off as a meter's dark level would be. s certified: 2.3317980180.
    half_width = width * math.sqrt(math.log(2.0))
    x, y = _data("Gauss1.dat")
    near = np.abs(x - place) < 1.5 * half_width
    fit = fit_peak(x[near], (y - _decay(x))[near], 2.331798, half_width)
    assert abs(fit.peak_um - place) < 1.5 * math.hypot(coverage_factor(fit.dof) * fit.u_um, 2.0 * se)
    assert fit.chi2_per_dof == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 / fit.dof))
    assert fit.u_um > se  # a fit of the true shape to all points knows more than ours may


@pytest.mark.published
def test_a_narrow_peak() -> None:
    # Points 1 nm apart from the certified Eckerle4 model: peak at b3.
    half_width = E2 * math.sqrt(2.0 * math.log(2.0))
    x = np.arange(444.0, 460.0)
    assert fit_peak(x, _eckerle(x), 0.0067629245, half_width).peak_um == pytest.approx(E3, abs=0.01)


@pytest.mark.published
def test_a_narrow_peak_with_too_few_measured_points_is_refused() -> None:
    # The 35 measured points stand 1.5 nm apart: seven on the peak, where a quintic needs nine.
    half_width = E2 * math.sqrt(2.0 * math.log(2.0))
    x, y = _data("Eckerle4.dat")
    with pytest.raises(NoPeak) as refusal:
        fit_peak(x, y, 0.0067629245, half_width)
    assert refusal.value.reason == "too_few_points"
