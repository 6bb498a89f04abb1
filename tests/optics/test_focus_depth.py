"""Depths of focus against textbook values."""

from __future__ import annotations

import pytest

from benchd.optics.focus_depth import half_width_um, wavefront_from_defocus_waves


@pytest.mark.published
@pytest.mark.parametrize(
    ("f_number", "depth_um"),
    # 2 lambda N^2 at 546.074 nm: Rayleigh's criterion, Born & Wolf 8.8.
    [(1.4, 2.1406), (2.0, 4.3686), (2.8, 8.5624), (4.0, 17.4744), (5.6, 34.2498), (8.0, 69.8975)],
)
def test_a_quarter_wave_at_rayleighs_depth(f_number: float, depth_um: float) -> None:
    assert wavefront_from_defocus_waves(f_number, depth_um, 546.074) == pytest.approx(0.25, abs=2e-5)


@pytest.mark.published
def test_defocus_of_a_wavefront() -> None:
    # z = 8 N^2 W020: Goodman, Introduction to Fourier Optics, 6.4. N = 4, a quarter wave, 550 nm: 17.6 um.
    assert wavefront_from_defocus_waves(4.0, 17.6, 550.0) == pytest.approx(0.25)


@pytest.mark.published
def test_half_width_is_where_a_blur_disc_halves_the_contrast() -> None:
    # 2 J1(q)/q = 1/2 at q = 2.215089 (textbook), so at a defocus of .705085 N/nu.
    assert half_width_um(2.8, 40.0) == pytest.approx(1000.0 * 2.215089 / 3.14159265 * 2.8 / 40.0, rel=1e-6)


def test_nothing_negative_passes() -> None:
    with pytest.raises(ValueError, match="lp_mm"):
        half_width_um(2.8, 0.0)
    with pytest.raises(ValueError, match="f_number"):
        wavefront_from_defocus_waves(-1.0, 10.0, 550.0)
