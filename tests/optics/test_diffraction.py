"""Transfer functions of a round pupil against tables, and against a brute sum over the sheared pupil."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.optics.diffraction import cutoff_lp_mm, defocus_mtf, diffraction_mtf, ideal_hwhm_um
from benchd.optics.focus_depth import half_width_um


@pytest.mark.published
def test_clear_circle() -> None:
    # Goodman, Introduction to Fourier Optics, 6.3; prysm.otf.diffraction_limited_mtf agrees to 8 digits.
    x = np.array([0.1, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9])
    expected = [
        0.8728886,
        0.7470601,
        0.6850376,
        0.6238377,
        0.5046316,
        0.3910022,
        0.2847570,
        0.1881204,
        0.1040880,
        0.0373861,
    ]
    cutoff = cutoff_lp_mm(2.8, 550.0)
    assert diffraction_mtf(x * cutoff, 2.8, 550.0) == pytest.approx(expected, abs=6e-8)
    assert diffraction_mtf([0.4039728 * cutoff, 0.8053836 * cutoff, 0.1577362 * cutoff], 2.8, 550.0) == pytest.approx(
        [0.5, 0.1, 0.8], abs=2e-7
    )
    assert diffraction_mtf([0.0, cutoff, 2.0 * cutoff], 2.8, 550.0) == pytest.approx([1.0, 0.0, 0.0])


@pytest.mark.published
def test_cutoff_and_values() -> None:
    # Same source: 1/(lambda N).
    assert cutoff_lp_mm(2.8, 546.074) == pytest.approx(654.019, abs=6e-4)
    assert diffraction_mtf([30.0, 40.0, 50.0, 100.0], 2.8, 546.074) == pytest.approx(
        [0.941617, 0.922177, 0.902755, 0.806082], abs=6e-7
    )
    assert cutoff_lp_mm(4.0, 550.0) == pytest.approx(454.545, abs=6e-4)
    assert diffraction_mtf([50.0, 100.0], 4.0, 550.0) == pytest.approx([0.860227, 0.722164], abs=6e-7)


@pytest.mark.published
@pytest.mark.parametrize(
    ("waves", "expected"),
    # Hopkins 1955; at .1 .25 .5 .75 of the cut-off. An FFT of a 256-sample pupil with prysm agrees to 5e-4.
    [
        (0.25, (0.838860, 0.575899, 0.287468, 0.122274)),
        (0.5, (0.742089, 0.317332, 0.084609, 0.069899)),
        (0.75, (0.597480, 0.061991, -0.032705, 0.017591)),
        (1.0, (0.426646, -0.068308, -0.020072, -0.010144)),
    ],
)
def test_pure_defocus(waves: float, expected: tuple[float, ...]) -> None:
    cutoff = cutoff_lp_mm(4.0, 550.0)
    depth = 8e-3 * 4.0**2 * 550.0 * waves  # 8 N^2 W020: Goodman 6.4
    for x, value in zip((0.1, 0.25, 0.5, 0.75), expected, strict=True):
        both_sides = defocus_mtf(x * cutoff, 4.0, 550.0, [depth, -depth])
        assert both_sides == pytest.approx([value, value], abs=1e-5)


def test_spherical_aberration_against_a_brute_sum() -> None:
    f_number, wavelength, lp_mm, w040 = 2.8, 550.0, 40.0, 0.7
    shear = lp_mm / cutoff_lp_mm(f_number, wavelength)
    side = (np.arange(1200) + 0.5) / 600.0 - 1.0
    p, q = np.meshgrid(side, side)
    both = ((p + shear) ** 2 + q**2 <= 1.0) & ((p - shear) ** 2 + q**2 <= 1.0)
    p, q = p[both], q[both]
    whole = np.pi * 600.0**2

    def wavefront(r2: np.ndarray, w020: float) -> np.ndarray:
        return w040 * r2**2 + w020 * r2

    for depth in (-60.0, 0.0, 25.0, 80.0):
        w020 = -depth / (8e-3 * f_number**2 * wavelength)
        phase = wavefront((p + shear) ** 2 + q**2, w020) - wavefront((p - shear) ** 2 + q**2, w020)
        brute = np.exp(2j * np.pi * phase).sum() / whole
        found = defocus_mtf(lp_mm, f_number, wavelength, [depth], w040_waves=w040)[0]
        assert found == pytest.approx(brute.real, abs=2e-4)
        assert abs(brute.imag) < 1e-6


def test_more_nodes_change_nothing() -> None:
    z = np.linspace(-200.0, 200.0, 9)
    coarse = defocus_mtf(40.0, 2.8, 550.0, z, w040_waves=1.5)
    assert coarse == pytest.approx(defocus_mtf(40.0, 2.8, 550.0, z, w040_waves=1.5, nodes=160), abs=1e-6)


def test_in_focus_it_is_the_closed_form_and_beyond_the_cutoff_nothing() -> None:
    assert defocus_mtf(100.0, 4.0, 550.0, 0.0) == pytest.approx(float(diffraction_mtf(100.0, 4.0, 550.0)), abs=1e-9)
    assert defocus_mtf(460.0, 4.0, 550.0, [0.0, 5.0]).tolist() == [0.0, 0.0]


def test_a_perfect_lens_is_wider_than_its_geometry() -> None:
    ratios = [ideal_hwhm_um(n, 40.0, 550.0) / half_width_um(n, 40.0) for n in (1.4, 2.8, 5.6, 8.0)]
    assert ratios == sorted(ratios)
    for f_number in (1.4, 8.0):
        half = ideal_hwhm_um(f_number, 40.0, 550.0)
        at_half, at_zero = defocus_mtf(40.0, f_number, 550.0, [half, 0.0])
        assert at_half / at_zero == pytest.approx(0.5, abs=1e-6)
    # Where diffraction says nothing the blur disc says all.
    assert ideal_hwhm_um(0.7, 5.0, 550.0) == pytest.approx(half_width_um(0.7, 5.0), rel=5e-3)
    with pytest.raises(ValueError, match="cut-off"):
        ideal_hwhm_um(8.0, 300.0, 550.0)
