"""One latency and one peak from passes both ways, held against motions known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.metrology.both_ways import Way, blur_shift_um, fit_both_ways
from benchd.metrology.distribution import coverage_factor
from benchd.metrology.peak import NoPeak, fit_peak
from benchd.metrology.shape_family import Family, Shapes
from benchd.metrology.shape_peak import fit_shapes
from benchd.metrology.trajectory import Trajectory

HALF_UM = 35.0
PEAK_UM = 12_345.6
SPAN_UM = 130.0


def merit(z_um: np.ndarray) -> np.ndarray:
    """A curve with a skew, as spherical aberration gives it, that peaks at PEAK_UM."""
    x = (z_um - PEAK_UM) / HALF_UM
    return 0.7 * np.exp(-math.log(2.0) * x**2 / (1.0 + 0.15 * np.tanh(x)))


def one_way(
    speed: float,
    latency_s: float,
    *,
    sd: float = 0.0,
    rng: np.random.Generator | None = None,
    ripple: float = 0.0,
    frames_hz: float = 60.0,
    exposed_s: float = 0.005,
    began_s: float = 100.0,
) -> Way:
    """A pass over SPAN_UM about the peak; `ripple` of the speed at 7 Hz, polled every 8 ms, exposures averaged on a
    fine grid of true places."""

    def place(t: np.ndarray) -> np.ndarray:
        wave = ripple / (2 * math.pi * 7.0) * np.sin(2 * math.pi * 7.0 * t)
        return PEAK_UM + speed * (t - 0.5 * SPAN_UM / abs(speed) + wave)

    lasts = SPAN_UM / abs(speed)
    polled = np.arange(-0.15, lasts + 0.15, 0.008)
    true = np.arange(0.011, lasts, 1.0 / frames_hz)
    within = exposed_s * (np.arange(201) - 100) / 200
    value = np.array([merit(place(t + within)).mean() for t in true])
    if rng is not None:
        value = value + sd * rng.standard_normal(value.size)
    return Way(
        Trajectory(began_s + polled, place(polled)),
        began_s + true + latency_s,
        np.full(true.size, exposed_s),
        value,
        np.full(true.size, max(sd, 1e-3)),
    )


@pytest.mark.parametrize("latency_s", [0.0, 0.030, -0.012, 0.100])
def test_latency_cancels_and_is_told(latency_s: float) -> None:
    ways = [one_way(400.0, latency_s), one_way(-400.0, latency_s, began_s=102.0)]
    found = fit_both_ways(ways, HALF_UM)
    reference = fit_peak(z := np.linspace(PEAK_UM - 60, PEAK_UM + 60, 41), merit(z), 1e-3, HALF_UM)
    assert found.fit.peak_um == pytest.approx(reference.peak_um, abs=0.05)
    assert found.latency_s == pytest.approx(latency_s, abs=1e-4)
    assert found.apart_um == pytest.approx(2 * 400.0 * latency_s, abs=0.1)


def test_one_way_alone_would_be_off_by_speed_times_latency() -> None:
    """Of measurement practice: 500 um/s and 30 ms are 15 um each way."""
    ways = [one_way(500.0, 0.030), one_way(-500.0, 0.030)]
    alone = [
        fit_peak(way.at(0.0)[0], way.value, way.u, HALF_UM).peak_um
        for way in (one_way(500.0, 0.015, frames_hz=120.0), one_way(-500.0, 0.015, frames_hz=120.0))
    ]
    assert alone[0] - alone[1] == pytest.approx(15.0, abs=0.2)
    assert fit_both_ways(ways, HALF_UM).apart_um == pytest.approx(30.0, abs=0.1)


def test_a_speed_that_ripples_leaves_the_peak_where_it_is() -> None:
    found = fit_both_ways([one_way(400.0, 0.02, ripple=0.1), one_way(-400.0, 0.02, ripple=0.1)], HALF_UM)
    even = fit_both_ways([one_way(400.0, 0.02), one_way(-400.0, 0.02)], HALF_UM)
    assert found.fit.peak_um == pytest.approx(even.fit.peak_um, abs=0.05)
    assert found.latency_s == pytest.approx(0.02, abs=2e-4)


def test_intervals_hold_with_noise() -> None:
    """Of 400 cases 95 % hold the truth, but for three standard deviations of that count; u of the latency likewise."""
    rng = np.random.default_rng(5)
    true = fit_both_ways([one_way(400.0, 0.0), one_way(-400.0, 0.0)], HALF_UM).fit.peak_um
    inside = late = 0
    for _ in range(400):
        speed = float(rng.uniform(300, 420))
        ways = [one_way(sign * speed, 0.02, sd=0.007, rng=rng) for sign in (1.0, -1.0)]
        found = fit_both_ways(ways, HALF_UM)
        k = coverage_factor(found.fit.dof)
        inside += abs(found.fit.peak_um - true) <= k * found.fit.u_um
        late += abs(found.latency_s - 0.02) <= k * found.u_latency_s
    assert 367 <= inside <= 393, inside
    assert 367 <= late <= 393, late


def test_refused() -> None:
    with pytest.raises(ValueError, match="both directions"):
        fit_both_ways([one_way(400.0, 0.0), one_way(400.0, 0.0)], HALF_UM)
    with pytest.raises(NoPeak):
        fit_both_ways([one_way(3000.0, 0.0), one_way(-3000.0, 0.0)], HALF_UM)


def test_without_a_latency_that_both_ways_agree_on_it_says_so() -> None:
    """Readings so noisy that those at the window's end come into the fit and drop out of it in turn, by 0.7 um."""
    rng = np.random.default_rng(16)
    ways = [one_way(400.0, 0.02, sd=0.03, rng=rng), one_way(-400.0, 0.02, sd=0.03, rng=rng, began_s=102.0)]
    with pytest.raises(NoPeak, match=r"agree on no latency.*more light") as caught:
        fit_both_ways(ways, HALF_UM)
    assert caught.value.reason == "unsettled"


class OneCurve(Family):
    """Whose shape changes nothing, not even by the rounding of a spline."""

    def slopes(self, beyond: np.ndarray, shape: float) -> tuple[np.ndarray, np.ndarray]:
        by_place, by_shape = super().slopes(beyond, shape)
        return by_place, np.zeros_like(by_shape)


def test_a_number_of_the_curve_that_readings_do_not_tell_leaves_the_latency_told() -> None:
    x = np.linspace(-3.6, 3.6, 181)
    one = np.exp(-math.log(2.0) * x**2 / (1.0 + 0.15 * np.tanh(x)))
    family = OneCurve(Shapes(x, np.linspace(-1.0, 1.0, 9), np.repeat(one[:, None], 9, axis=1)))
    ways = [one_way(400.0, 0.02), one_way(-400.0, 0.02, began_s=102.0)]
    found = fit_both_ways(ways, HALF_UM, fit_curve=lambda z, v, u: fit_shapes(z, v, u, HALF_UM, family, spent=1))
    assert found.latency_s == pytest.approx(0.02, abs=1e-4)
    assert 0.0 < found.u_latency_s < 1e-4
    assert found.fit.peak_um == pytest.approx(PEAK_UM, abs=0.1)


def test_the_blur_of_a_quintic_is_that_of_its_derivatives() -> None:
    """The mean of f over w is f plus w^2/24 of its second derivative, by Taylor: the peak goes by as much of the third
    over the second."""
    fit = fit_peak(z := np.linspace(PEAK_UM - 60, PEAK_UM + 60, 41), merit(z), 1e-3, HALF_UM)
    curve = np.polynomial.Polynomial(fit.coefficients)
    top = (fit.peak_um - fit.centre_um) / fit.half_window_um
    by_taylor = 4.0**2 / 24.0 * curve.deriv(3)(top) / curve.deriv(2)(top) / fit.half_window_um
    assert blur_shift_um(fit, 4.0) == pytest.approx(abs(by_taylor), rel=0.02)
    assert blur_shift_um(fit, 0.0) == 0.0
