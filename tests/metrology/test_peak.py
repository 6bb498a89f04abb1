"""Best focus: what the fit finds, flags and refuses. Curves here are exact functions with a known peak."""

from __future__ import annotations

import math
import pickle
from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import j1

from benchd.metrology.peak import NoPeak, PeakFit, fit_peak
from benchd.metrology.peak_checks import lag1, two_maxima

HW = 49.36  # f/2.8, 40 lp/mm: .705085 N/nu in um


def _disc(z: np.ndarray, peak: float = 0.0) -> np.ndarray:
    """Modulation of a uniform blur disc: half height at +-HW."""
    q = 2.215089 * np.abs(z - peak) / HW
    return np.abs(np.where(q == 0.0, 1.0, 2.0 * j1(np.where(q == 0.0, 1.0, q)) / np.where(q == 0.0, 1.0, q)))


def _skewed(z: np.ndarray) -> np.ndarray:
    """A bell of HWHM HW that leans: its peak is at 0, its flanks differ by a third."""
    width = HW * (1.0 + 0.25 * np.tanh(z / HW))
    return np.exp(-math.log(2.0) * (z / width) ** 2)


def _sweep(n: int = 21, reach: float = 1.5, centre: float = 0.0) -> np.ndarray:
    return centre + np.linspace(-reach, reach, n) * HW


def _noisy(curve: Callable[[np.ndarray], np.ndarray], z: np.ndarray, s: float, seed: int) -> PeakFit:
    rng = np.random.default_rng(seed)
    return fit_peak(z, curve(z) + rng.normal(0.0, s, z.size), s, HW)


def test_the_peak_of_an_exact_curve() -> None:
    fit = fit_peak(_sweep(centre=1234.0), 0.7 * _disc(_sweep(), 7.3), 0.01, HW)
    assert fit.peak_um == pytest.approx(1241.3, abs=0.05)
    assert fit.height == pytest.approx(0.7, rel=1e-3)
    assert fit.hwhm_um == pytest.approx(HW, rel=2e-3)
    assert fit.half_window_um == pytest.approx(1.1 * HW, rel=2e-3)
    assert fit.dof == int(np.count_nonzero(fit.inside)) - 6
    assert fit.flags == ()


def test_a_leaning_curve_is_not_pulled_over() -> None:
    assert fit_peak(_sweep(31), _skewed(_sweep(31)), 0.01, HW).peak_um == pytest.approx(0.0, abs=0.02 * HW)


def test_the_order_of_the_points_changes_nothing_but_their_succession() -> None:
    z = _sweep()
    rng = np.random.default_rng(2)
    value = _disc(z) + rng.normal(0.0, 0.01, z.size)
    order = rng.permutation(z.size)
    plain, shuffled = fit_peak(z, value, 0.01, HW), fit_peak(z[order], value[order], 0.01, HW)
    assert shuffled.peak_um == pytest.approx(plain.peak_um, abs=1e-9)
    assert shuffled.u_um == pytest.approx(plain.u_um)
    assert shuffled.inside.tolist() == plain.inside[order].tolist()
    assert shuffled.lag1 != plain.lag1


def test_position_scale_and_light_scale_with_the_input() -> None:
    z = _sweep()
    value = _disc(z) + np.random.default_rng(4).normal(0.0, 0.01, z.size)
    one = fit_peak(z, value, 0.01, HW)
    other = fit_peak(500.0 - 3.0 * z, 0.2 * value, 0.002, 3.0 * HW)
    assert other.peak_um == pytest.approx(500.0 - 3.0 * one.peak_um, abs=1e-6)
    assert other.u_um == pytest.approx(3.0 * one.u_um, rel=1e-6)
    assert other.chi2_per_dof == pytest.approx(one.chi2_per_dof, rel=1e-6)


def test_only_the_ratios_of_the_uncertainties_weigh() -> None:
    z = _sweep()
    rng = np.random.default_rng(6)
    s = rng.uniform(0.005, 0.02, z.size)
    value = _disc(z) + s * rng.standard_normal(z.size)
    one, ten = fit_peak(z, value, s, HW), fit_peak(z, value, 10.0 * s, HW)
    assert ten.peak_um == pytest.approx(one.peak_um)
    assert ten.u_um == pytest.approx(one.u_um)
    assert ten.chi2_per_dof == pytest.approx(0.01 * one.chi2_per_dof)


def test_the_uncertainty_is_the_scatter_of_the_peak() -> None:
    fits = [_noisy(_disc, _sweep(31), 0.01, seed) for seed in range(400)]
    # The standard deviation of 400 peaks is known to 3.5 %.
    scatter = float(np.std([fit.peak_um for fit in fits], ddof=1))
    stated = math.sqrt(float(np.mean([fit.u_um**2 for fit in fits])))
    assert stated == pytest.approx(scatter, rel=0.12)


def test_slope_weights_help_where_positions_shake_a_little() -> None:
    rng = np.random.default_rng(8)
    plain, weighted = [], []
    for _ in range(300):
        z = _sweep(25)
        value = _disc(z + rng.normal(0.0, 0.03 * HW, z.size)) + rng.normal(0.0, 0.003, z.size)
        plain.append(fit_peak(z, value, 0.003, HW).peak_um)
        weighted.append(fit_peak(z, value, 0.003, HW, position_u_um=0.03 * HW).peak_um)
    assert np.std(weighted) < 0.9 * np.std(plain)


def test_positions_that_shake_much_are_left_to_the_residuals() -> None:
    z = _sweep()
    value = _disc(z) + np.random.default_rng(9).normal(0.0, 0.01, z.size)
    assert fit_peak(z, value, 0.01, HW, position_u_um=0.1 * HW).peak_um == fit_peak(z, value, 0.01, HW).peak_um


def test_the_band_of_the_curve() -> None:
    fit = _noisy(_disc, _sweep(), 0.01, 11)
    value, u = fit.curve(np.array([[fit.peak_um, fit.centre_um], [-30.0, 30.0]]))
    assert value.shape == u.shape == (2, 2)
    assert value[0, 0] == pytest.approx(fit.height)
    assert u[0, 1] == pytest.approx(math.sqrt(fit.covariance[0, 0]))
    assert np.all((u > 0.001) & (u < 0.02))


def test_a_wide_coarse_search_finds_the_same_peak() -> None:
    z = np.linspace(-5.0, 9.0, 85) * HW
    assert fit_peak(z, _disc(z, 40.0), 0.01, HW).peak_um == pytest.approx(40.0, abs=0.1)


def test_one_wild_bright_point_does_not_catch_the_start() -> None:
    z = np.linspace(-4.0, 4.0, 65) * HW
    value = _disc(z)
    value[3] = 1.3
    assert abs(fit_peak(z, value, 0.01, HW).peak_um) < 0.05 * HW


# --- flags


def test_noise_beyond_the_pictures_is_flagged() -> None:
    z = _sweep(41)
    value = _disc(z) + np.random.default_rng(12).normal(0.0, 0.03, z.size)
    fit = fit_peak(z, value, 0.01, HW)
    assert "noisy" in fit.flags
    assert fit.chi2_per_dof == pytest.approx(9.0, rel=0.5)


def test_a_curve_wider_than_its_f_number_is_flagged() -> None:
    z = _sweep(31, reach=2.2)
    wide = _disc(z / 1.3)
    assert "wide" in fit_peak(z, wide, 0.01, HW, ideal_hwhm_um=1.07 * HW).flags
    assert "wide" not in fit_peak(z, wide, 0.01, HW).flags
    assert "wide" not in fit_peak(_sweep(), _disc(_sweep()), 0.01, HW, ideal_hwhm_um=HW).flags


def test_two_equal_peaks_are_flagged() -> None:
    z = _sweep(61, reach=3.0)
    both = _disc(z, -1.25 * HW) + _disc(z, 1.25 * HW)
    rng = np.random.default_rng(13)
    flagged = sum(
        "two_maxima" in fit_peak(z, both + rng.normal(0.0, 0.005, z.size), 0.005, HW).flags for _ in range(40)
    )
    assert flagged >= 36


def test_a_single_peak_is_not_taken_for_two() -> None:
    # 200 curves over a range that shows the side lobes of the disc.
    z = np.linspace(-3.0, 3.0, 61) * HW
    assert sum("two_maxima" in _noisy(_disc, z, 0.02, seed).flags for seed in range(200)) == 0


def test_a_dip_must_lie_below_both_maxima() -> None:
    z = np.arange(9.0)
    assert two_maxima(z, [0, 1, 2, 3, 1, 3, 2, 1, 0], 0.3)
    assert not two_maxima(z, [0, 1, 2, 3, 2.5, 3, 2, 1, 0], 0.3)
    assert not two_maxima(z, [0, 1, 2, 3, 2, 1, 0, 1, 0], 0.1)  # the second stays below half the first
    assert two_maxima(z[::-1], [0, 1, 2, 3, 1, 3, 2, 1, 0], [0.3] * 9)


def test_a_peak_off_the_middle_of_a_short_sweep_asks_for_another() -> None:
    assert "off_centre" in fit_peak(_sweep(), _disc(_sweep(), 0.8 * HW), 0.01, HW).flags
    assert "off_centre" not in fit_peak(_sweep(), _disc(_sweep(), 0.4 * HW), 0.01, HW).flags
    wide = _sweep(61, reach=4.0)
    assert "off_centre" not in fit_peak(wide, _disc(wide, 0.8 * HW), 0.01, HW).flags


def test_noise_that_follows_itself_is_flagged_in_the_order_taken() -> None:
    z = _sweep(41)
    rng = np.random.default_rng(14)
    noise = np.zeros(z.size)
    for i in range(1, z.size):
        noise[i] = 0.95 * noise[i - 1] + rng.normal(0.0, 0.01)
    order = rng.permutation(z.size)
    fit = fit_peak(z[order], _disc(z[order]) + noise, 0.02, HW)
    assert "correlated" in fit.flags
    assert fit.lag1 > 0.5


def test_lag_of_few_or_exact_residuals_says_nothing() -> None:
    assert math.isnan(lag1([1.0, -1.0]))
    assert math.isnan(lag1(np.zeros(9)))
    assert lag1([1.0, -1.0, 1.0, -1.0]) == pytest.approx(-0.75)


def test_a_window_that_matters_is_flagged() -> None:
    # A kink beyond the window: a wider fit is dragged along.
    z = _sweep(61, reach=1.6)
    value = _disc(z) + np.where(z > 1.12 * HW, 0.25, 0.0)
    value = value + np.random.default_rng(15).normal(0.0, 0.001, z.size)
    assert "window" in fit_peak(z, value, 0.001, HW).flags


# --- refusals


@pytest.mark.parametrize(
    ("z", "value", "reason"),
    [
        (_sweep(8), _disc(_sweep(8)), "too_few_points"),
        (_sweep(9, reach=3.0), _disc(_sweep(9, reach=3.0)), "too_few_points"),
        (np.linspace(0.5, 3.0, 25) * HW, _disc(np.linspace(0.5, 3.0, 25) * HW), "at_edge"),
        (np.linspace(-3.0, -0.4, 25) * HW, _disc(np.linspace(-3.0, -0.4, 25) * HW), "at_edge"),
        (_sweep(25), 0.5 + 0.1 * _disc(_sweep(25)), "too_wide"),
        (_sweep(61), _disc(3.0 * _sweep(61)), "too_narrow"),
    ],
)
def test_no_peak(z: np.ndarray, value: np.ndarray, reason: str) -> None:
    with pytest.raises(NoPeak) as refusal:
        fit_peak(z, value, 0.01, HW)
    assert refusal.value.reason == reason
    assert refusal.value.text.endswith(".")


@pytest.mark.parametrize(("n", "reach"), [(25, 1.5), (41, 1.5), (81, 4.0)])
def test_flat_light_has_no_peak(n: int, reach: float) -> None:
    rng = np.random.default_rng(16)
    for _ in range(100):
        with pytest.raises(NoPeak):
            fit_peak(_sweep(n, reach), 0.3 + rng.normal(0.0, 0.01, n), 0.01, HW)


def test_many_points_at_few_places_are_too_few() -> None:
    z = np.repeat(np.linspace(-1.0, 1.0, 5) * HW, 6)
    with pytest.raises(NoPeak) as refusal:
        fit_peak(z, _disc(z), 0.01, HW)
    assert refusal.value.reason == "too_few_points"


@pytest.mark.parametrize(
    ("z", "value", "u", "half_width", "match"),
    [
        ([1.0, 2.0], [1.0], 0.1, HW, "one length"),
        ([[1.0]], [[1.0]], 0.1, HW, "one length"),
        ([1.0, math.nan], [1.0, 1.0], 0.1, HW, "finite"),
        ([1.0, 2.0], [1.0, math.inf], 0.1, HW, "finite"),
        ([1.0, 2.0], [1.0, 1.0], 0.0, HW, "above zero"),
        ([1.0, 2.0], [1.0, 1.0], 0.1, 0.0, "half-width"),
    ],
)
def test_nonsense_is_an_error(z: list[float], value: list[float], u: float, half_width: float, match: str) -> None:
    with pytest.raises(ValueError, match=match):
        fit_peak(z, value, u, half_width)


def test_fit_and_refusal_survive_the_way_from_a_worker_process() -> None:
    fit = fit_peak(_sweep(), _disc(_sweep()), 0.01, HW)
    assert pickle.loads(pickle.dumps(fit)).peak_um == fit.peak_um
    with pytest.raises(NoPeak) as refusal:
        fit_peak(_sweep(8), _disc(_sweep(8)), 0.01, HW)
    back = pickle.loads(pickle.dumps(refusal.value))
    assert (back.reason, str(back)) == (refusal.value.reason, str(refusal.value))


@pytest.mark.parametrize("period", [0.05, 0.3, 0.57, 0.8, 1.3, 2.0, 5.0, 1e4])
def test_what_a_periodic_error_of_the_positions_does_is_foretold_by_the_fit(period: float) -> None:
    """Against the fit itself, once with the error and once without, at phases all round."""
    rng = np.random.default_rng(11)
    z = np.sort(rng.uniform(-1.6, 1.6, 40)) * HW
    exact = fit_peak(z, _disc(z, 3.0), 0.01, HW)
    amplitude, passed = 0.002 * HW, exact.passes_on(period * HW)
    for phase in np.linspace(0.0, 2.0 * math.pi, 7):
        off = amplitude * np.cos(2.0 * math.pi * (z - exact.peak_um) / (period * HW) + phase)
        moved = fit_peak(z + off, _disc(z, 3.0), 0.01, HW).peak_um - exact.peak_um
        told = amplitude * (passed * np.exp(1j * phase)).real
        assert moved == pytest.approx(told, abs=0.06 * amplitude)


def test_an_error_that_all_positions_share_reaches_the_peak_whole() -> None:
    z = _sweep(31)
    fit = fit_peak(z, _disc(z, 5.0), 0.01, HW)
    assert fit.passes_on(1e9) == pytest.approx(1.0, abs=1e-6)
