"""The world's optics against published values."""

import numpy as np
import pytest

from benchd_simulators.world.lens import Optic
from benchd_simulators.world.plate import Layer, aberration_um, crossing_shift_um, paraxial_shift_um
from benchd_simulators.world.transfer import (
    between,
    blur_disc,
    by_fourier,
    conjugate_m,
    enough_samples,
    sum_through_focus,
    through_focus,
)

E_NM = 546.074
BK7 = [Layer(2000.0, 1.5168)]


# Goodman, Introduction to Fourier Optics, 6.3: MTF of a clear circle.
CLEAR = {0.1: 0.8728886, 0.25: 0.6850376, 0.3: 0.6238377, 0.5: 0.3910022, 0.7: 0.1881204, 0.9: 0.0373861}
# Hopkins 1955: MTF of pure defocus W020 (waves at the pupil's edge).
DEFOCUS = {
    0.25: {0.1: 0.838860, 0.25: 0.575899, 0.5: 0.287468, 0.75: 0.122274},
    0.5: {0.1: 0.742089, 0.25: 0.317332, 0.5: 0.084609, 0.75: 0.069899},
    0.75: {0.1: 0.597480, 0.25: 0.061991, 0.5: -0.032705, 0.75: 0.017591},
    1.0: {0.1: 0.426646, 0.25: -0.068308, 0.5: -0.020072, 0.75: -0.010144},
}


@pytest.mark.published
@pytest.mark.parametrize(("w20", "row"), [(0.0, CLEAR), *DEFOCUS.items()])
def test_transfer_by_fourier_agrees_with_tables(w20: float, row: dict[float, float]) -> None:
    x, otf = by_fourier((0.0,), w20)
    found = np.interp(list(row), x, otf)
    assert found == pytest.approx(list(row.values()), abs=1e-3)


@pytest.mark.published
@pytest.mark.parametrize(("w20", "row"), [(0.0, CLEAR), *DEFOCUS.items()])
def test_through_focus_agrees_with_tables(w20: float, row: dict[float, float]) -> None:
    found = [float(through_focus(x, (0.0,), np.array([w20]))[0]) for x in row]
    assert found == pytest.approx(list(row.values()), abs=2e-6)


@pytest.mark.published
def test_cut_off_and_lp_mm() -> None:
    """Goodman 6.3 at 546.074 nm, f/2.8: MTF(30), (40), (50), (100) lp/mm; nothing beyond 654.019 lp/mm."""
    optic = Optic(f_number=2.8, image_um=0.0)
    lp_mm = np.array([30.0, 40.0, 50.0, 100.0])
    assert optic.otf(lp_mm, 0.0) == pytest.approx([0.941617, 0.922177, 0.902755, 0.806082], abs=1e-4)
    assert optic.otf(np.array([654.1]), 0.0)[0] == 0.0
    assert optic.modulation(653.0, np.zeros(1))[0] > 0 == optic.modulation(654.1, np.zeros(1))[0]


@pytest.mark.published
def test_defocus_is_8_n_squared_w020() -> None:
    """Goodman 6.4: N=4, W=0.25 wave of 550 nm is 17.6 um; Hopkins' value at x=0.25 must stand there."""
    optic = Optic(f_number=4.0, image_um=1000.0, nm=(550.0,))
    lp_mm = 0.25 / (550e-6 * 4)
    for depth in (1017.6, 982.4):
        assert optic.modulation(lp_mm, np.array([depth]))[0] == pytest.approx(0.575899, abs=1e-5)


@pytest.mark.published
def test_geometric_blur_disc() -> None:
    """2 J1(pi b v) / (pi b v), textbook: b = 20 um at 10, 20, 30, 40 lp/mm."""
    f_number, nm = 2.0, 550.0
    w20 = 20.0 * f_number / (8 * f_number**2) * 1000 / nm  # blur b from defocus b N
    x = np.array([10.0, 20.0, 30.0, 40.0]) * nm * 1e-6 * f_number
    assert blur_disc(w20, x) == pytest.approx([0.951457, 0.815177, 0.616962, 0.392941], abs=1e-6)


@pytest.mark.parametrize("w20", [0.4, 3.0, 7.0, 14.0])
def test_both_ways_to_the_transfer_function_agree(w20: float) -> None:
    even = (0.4, -0.15, 0.05)
    x, otf = by_fourier(even, w20, enough_samples(even, w20))
    chosen = slice(len(x) // 50, len(x) // 2, len(x) // 40)
    direct = [float(through_focus(float(at), even, np.array([w20]))[0]) for at in x[chosen]]
    assert otf[chosen] == pytest.approx(direct, abs=2e-4)


@pytest.mark.published
def test_traced_plate_paraxial_and_marginal() -> None:
    """Plane-parallel plate, 2 mm, n 1.5168: a skew-ray trace of another package, and the closed form."""
    assert paraxial_shift_um(BK7) == pytest.approx(681.4346, abs=1e-4)
    traced = [crossing_shift_um(BK7, sine) for sine in (0.178571, 0.25, 0.5)]
    assert traced == pytest.approx([693.5426, 705.6018, 790.4845], abs=2e-4)
    two = [Layer(1000.0, 1.5168), Layer(1000.0, 1.5168)]
    assert crossing_shift_um(two, 0.25) == pytest.approx(traced[1], abs=1e-9)


@pytest.mark.published
def test_traced_plate_third_order() -> None:
    """W040 = (n^2-1) t / (8 n^3) sin^4 u: 0.36399 um at f/2 (Welford); the trace adds its higher orders beside it."""
    third, fifth, seventh = aberration_um(BK7, 2.0)
    assert third == pytest.approx(0.36399, abs=5e-5)
    assert 0 < seventh < fifth < 0.03 * third


# Where best focus goes behind the plate, um beyond paraxial at 10, 20, 40, 80 lp/mm: an independent quadrature of the
# transfer function of the third-order W040 with defocus, 546 nm.
BEST_FOCUS = {
    2.0: (15.25, 14.97, 14.43, 13.47),
    2.8: (7.72, 7.53, 7.17, 6.54),
    4.0: (3.74, 3.61, 3.37, 2.99),
}


@pytest.mark.published
@pytest.mark.parametrize(("f_number", "shifts"), BEST_FOCUS.items())
def test_best_focus_behind_third_order_plate(f_number: float, shifts: tuple[float, ...]) -> None:
    w040_um = (1.5168**2 - 1) * 2000 / (8 * 1.5168**3) / (2 * f_number) ** 4
    optic = Optic(f_number=f_number, image_um=0.0, even_um=(w040_um,), nm=(E_NM,))
    assert [optic.peak_um(lp_mm) for lp_mm in (10, 20, 40, 80)] == pytest.approx(shifts, abs=0.02)


@pytest.mark.published
@pytest.mark.parametrize(("f_number", "shifts"), BEST_FOCUS.items())
def test_best_focus_behind_traced_plate(f_number: float, shifts: tuple[float, ...]) -> None:
    """The traced plate goes deeper than the third-order table by its higher orders, in proportion.

    Its marginal aberration exceeds the third-order one (23.295, 11.885, 5.824 um, Welford) by 3.7, 1.9 and 0.9 %; best
    focus, weighted towards the margin's neighbourhood, must follow within that share and not less than half of it.
    """
    optic = Optic(f_number=f_number, image_um=0.0, even_um=aberration_um(BK7, f_number), nm=(E_NM,))
    marginal = crossing_shift_um(BK7, 1 / (2 * f_number)) - paraxial_shift_um(BK7)
    third = {2.0: 23.295, 2.8: 11.885, 4.0: 5.824}[f_number]
    for lp_mm, shift in zip((10, 20, 40, 80), shifts, strict=True):
        share = (optic.peak_um(lp_mm) / shift - 1) / (marginal / third - 1)
        assert 0.4 < share < 1.1


@pytest.mark.published
def test_conjugate_of_a_wall() -> None:
    """Newton's formula, object to image 5000 mm, f 50: m 0.0102051, x' 510.257 um; 1000 mm: 2786.405 um."""
    m = conjugate_m(50_000.0, 5_000_000.0, 0.0)
    assert m == pytest.approx(0.0102051, abs=5e-8)
    assert 50_000 * m == pytest.approx(510.257, abs=5e-4)
    assert 50_000 * conjugate_m(50_000.0, 1_000_000.0, 0.0) == pytest.approx(2786.405, abs=5e-4)


def test_peak_is_the_highest_of_a_fine_grid() -> None:
    optic = Optic(
        f_number=2.8,
        image_um=51_000.0,
        even_um=(0.3, -0.1, 0.0),
        nm=(536.0, 546.0, 556.0),
        weight=(1.0, 2.0, 1.0),
        focus_um=(-2.0, 0.0, 3.0),
    )
    grid = np.arange(50_900.0, 51_100.0, 0.01)
    assert optic.peak_um(40.0) == pytest.approx(grid[np.argmax(optic.modulation(40.0, grid))], abs=0.02)


def test_a_table_is_read_between_its_entries_as_the_curve_goes() -> None:
    """Exact for what six places determine; and of a transfer function eight times as finely sampled, within 3e-5."""
    place = np.linspace(0.0, 40.0, 333)
    powers = np.array([3.0, -1.0, 0.5, 0.02, -0.003, 0.0001])
    assert between(np.polyval(powers[::-1], np.arange(41.0)), place) == pytest.approx(np.polyval(powers[::-1], place))
    fine_at, fine = by_fourier((1.0,), 6.0, 4096)
    at, value = by_fourier((1.0,), 6.0, 512)
    assert np.abs(between(value, fine_at * (len(at) - 1)) - fine).max() < 3e-5


def test_all_frequencies_at_once_are_the_sum_of_each() -> None:
    """At and beyond the cut-off too, where nothing passes."""
    rng = np.random.default_rng(3)
    x, share = np.append(rng.uniform(0.001, 0.999, 40), [1.0, 1.3]), rng.uniform(-1.0, 1.0, 42)
    even, w20 = (0.6, -0.1), np.linspace(-13.0, 13.0, 53)
    one_by_one = sum(by * through_focus(float(at), even, w20) for at, by in zip(x, share, strict=True))
    assert sum_through_focus(x, share, even, w20) == pytest.approx(one_by_one, abs=3e-6)
