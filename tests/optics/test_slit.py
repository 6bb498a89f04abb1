"""Light through a slit: by rays, in focus and through focus, against quadratures of other forms."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad

from benchd.optics.diffraction import defocus_mtf, diffraction_mtf
from benchd.optics.focus_depth import half_width_um
from benchd.optics.slit import (
    SLIT_FACTOR,
    diffraction_over_slit,
    lp_mm_of_slit,
    slit_light,
    slit_table,
    slit_um_of,
)

NM = 546.0


def of_disc(discs: float) -> float:
    """Share of a uniform disc, so many slits wide, that two slits pass: its density by chords, times their overlap."""
    radius = 0.5 * discs

    def density(x: float) -> float:
        return (1.0 - x) * 2.0 / (math.pi * radius**2) * math.sqrt(max(radius**2 - x**2, 0.0))

    return 2.0 * float(quad(density, 0.0, min(1.0, radius))[0])


def test_half_width_is_that_of_a_uniform_disc_by_rays() -> None:
    assert of_disc(SLIT_FACTOR) == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("u", [0.6, 1.0, 1.7])
def test_far_above_diffraction_it_is_what_rays_make_it(u: float) -> None:
    """f/1.4, a slit of 100 um."""
    assert slit_light(diffraction_over_slit(1.4, 100.0, NM), [u])[0, 0] == pytest.approx(
        of_disc(SLIT_FACTOR * u), abs=4e-3
    )


@pytest.mark.published
@pytest.mark.parametrize(("f_number", "slit_um"), [(2.0, 25.0), (5.6, 10.0)])
def test_in_focus_it_is_the_integral_of_the_published_mtf(f_number: float, slit_um: float) -> None:
    """(2/pi)(acos x - x sqrt(1 - x^2)) (Goodman, Introduction to Fourier Optics, 6.3), by an adaptive quadrature.

    Cut at the sixteenth lobe of the slits as there, which leaves out less than a hundredth.
    """

    def through(lp_mm: float) -> float:
        slits = float(np.sinc(lp_mm * slit_um / 1000.0) ** 2)
        return slits * float(diffraction_mtf(lp_mm, f_number, NM))

    end = min(16e3 / slit_um, 1e6 / (NM * f_number))
    whole = 2e-3 * slit_um * float(quad(through, 0.0, end, limit=400)[0])
    assert slit_light(diffraction_over_slit(f_number, slit_um, NM), [0.0])[0, 0] == pytest.approx(whole, abs=2e-4)


@pytest.mark.parametrize("z_um", [-90.0, 35.0])
def test_through_focus_it_is_the_integral_of_the_defocused_transfer(z_um: float) -> None:
    f_number, slit_um, waves = 2.8, 25.0, 0.6

    def through(lp_mm: float) -> float:
        transfer = defocus_mtf(lp_mm, f_number, NM, [z_um], w040_waves=waves, nodes=48)
        return float(np.sinc(lp_mm * slit_um / 1000.0) ** 2 * transfer[0])

    node, weight = np.polynomial.legendre.leggauss(24)
    ends = np.linspace(0.0, 16e3 / slit_um, 5)
    whole = sum(
        0.5 * (high - low) * w * through(0.5 * (low + high) + 0.5 * (high - low) * x)
        for low, high in pairwise(ends)
        for x, w in zip(node, weight, strict=True)
    )
    u = z_um / (SLIT_FACTOR * f_number * slit_um)
    found = slit_light(diffraction_over_slit(f_number, slit_um, NM), [u], waves)[0, 0]
    assert found == pytest.approx(2e-3 * slit_um * whole, abs=3e-4)


def test_spherical_aberration_moves_the_peak_deeper_and_turned_round_shallower() -> None:
    table = slit_table(0.1, 3.0, 1.0)
    tops = table.u[table.light.argmax(axis=0)]
    assert tops[-1] > 0.2
    assert tops == pytest.approx(-tops[::-1], abs=1e-9)
    assert table.light == pytest.approx(table.light[::-1, ::-1])


def test_unequal_slits_have_a_flat_top() -> None:
    """By rays two slits of which one is twice as wide pass all of a blur as wide as their difference."""
    u = np.array([0.0, 0.5, 1.0]) / SLIT_FACTOR
    equal, unequal = (slit_light(0.02, u, ratio=ratio)[:, 0] for ratio in (1.0, 2.0))
    assert equal[0] - equal[1] > 0.05
    assert unequal[0] - unequal[1] < 0.02


def test_a_slit_stands_for_the_frequency_of_the_same_half_width() -> None:
    lp_mm = lp_mm_of_slit(25.0)
    assert half_width_um(2.8, lp_mm) == pytest.approx(SLIT_FACTOR * 2.8 * 25.0, rel=1e-9)
    assert slit_um_of(lp_mm) == pytest.approx(25.0)
