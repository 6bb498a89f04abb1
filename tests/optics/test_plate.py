"""Plane-parallel plates against textbook closed forms, a published index table and a ray trace."""

from __future__ import annotations

import math

import pytest

from benchd.optics.plate import (
    Plate,
    longitudinal_aberration_um,
    marginal_shift_um,
    paraxial_shift_um,
    paraxial_u_um,
    residual_um,
)

N_BK7_D = 1.5168000  # n at the d line
N_BK7_E = 1.518722
E_LINE_NM = 546.074


@pytest.mark.published
@pytest.mark.parametrize(("thickness_mm", "expected"), [(1.0, 340.717), (2.0, 681.435), (3.0, 1022.152)])
def test_paraxial_shift(thickness_mm: float, expected: float) -> None:
    # t (1 - 1/n): Smith, Modern Optical Engineering, plane-parallel plates; N-BK7 at the d line.
    assert paraxial_shift_um(thickness_mm, N_BK7_D) == pytest.approx(expected, abs=6e-4)


@pytest.mark.published
@pytest.mark.parametrize(
    ("index_e", "per_mm"),
    # Indices at the e line from the data files of refractiveindex.info (CC0), as given by the makers' Sellmeier terms.
    [
        (1.518722, 341.55),
        (1.524583, 344.08),
        (1.525589, 344.52),
        (1.460078, 315.11),
        (1.770709, 435.25),
        (1.791918, 441.94),
    ],
)
def test_paraxial_shift_of_common_glasses(index_e: float, per_mm: float) -> None:
    assert paraxial_shift_um(1.0, index_e) == pytest.approx(per_mm, abs=6e-3)


@pytest.mark.published
def test_index_of_one_and_a_half_moves_the_image_a_third() -> None:
    # Smith, as above: t/3 for n = 1.5.
    assert paraxial_shift_um(1.2, 1.5) == pytest.approx(400.0)


@pytest.mark.published
@pytest.mark.parametrize(
    ("f_number", "expected"),
    # Skew-ray trace of 2 mm N-BK7 by the general ray tracer rayoptics 0.9.8 (NA .178571, .25, .5), 1e-3 um;
    # the others by the closed form.
    [(2.8, 693.5426), (2.0, 705.6018), (1.0, 790.4845), (4.0, 687.3113), (5.6, 684.4196), (8.0, 682.8938)],
)
def test_marginal_shift(f_number: float, expected: float) -> None:
    assert marginal_shift_um(2.0, N_BK7_D, f_number) == pytest.approx(expected, abs=1e-3)


@pytest.mark.published
def test_marginal_shift_of_a_fast_cone_is_tens_of_microns_off() -> None:
    # Same source: 2.5 mm, n 1.52, f/1.4.
    assert paraxial_shift_um(2.5, 1.52) == pytest.approx(855.263, abs=6e-4)
    assert marginal_shift_um(2.5, 1.52, 1.4) == pytest.approx(919.487, abs=6e-4)


def test_marginal_shift_agrees_with_snell_traced_through_two_faces() -> None:
    for f_number in (0.8, 1.4, 2.8, 11.0):
        angle = math.asin(0.5 / f_number)
        inside = math.asin(math.sin(angle) / 1.61)
        # A ray aimed at the axis at z = 0 enters a 3 mm plate's face 5 mm before it and leaves 2 mm before it.
        height = 5.0 * math.tan(angle) - 3.0 * math.tan(inside)
        crossing_mm = -2.0 + height / math.tan(angle)
        assert marginal_shift_um(3.0, 1.61, f_number) == pytest.approx(1000.0 * crossing_mm, abs=1e-9)


@pytest.mark.published
@pytest.mark.parametrize(("f_number", "aberration"), [(2.0, 23.295), (2.8, 11.885), (4.0, 5.824)])
def test_third_order_aberration(f_number: float, aberration: float) -> None:
    # Welford, Aberrations of Optical Systems, plane plate (place quoted from memory): LA = t (n^2 - 1) sin^2 u/(2 n^3).
    # The exact aberration exceeds the third order by a term of sin^2 u.
    exact = longitudinal_aberration_um([Plate(2.0, N_BK7_D)], f_number)
    assert exact == pytest.approx(aberration, rel=0.6 / f_number**2)
    assert exact > aberration
    # So a slow cone shows the third order alone: a tenth of the aperture, a hundredth of the aberration.
    slow = longitudinal_aberration_um([Plate(2.0, N_BK7_D)], 10.0 * f_number)
    assert slow == pytest.approx(aberration / 100.0, abs=6e-6 + 0.006 * aberration / 100.0 / f_number**2)


@pytest.mark.published
def test_residual_is_where_the_strehl_ratio_is_highest() -> None:
    # Half of the aberration (third order): 5.94 um at f/2.8 for 2 mm N-BK7. The exact residual is 2 % more.
    assert residual_um([Plate(2.0, N_BK7_D)], [], 2.8) == pytest.approx(5.94, rel=0.03)
    assert residual_um([Plate(2.0, N_BK7_D)], [], 28.0) == pytest.approx(0.0594, abs=6e-5)


def test_residual_counts_the_plate_the_lens_was_made_for() -> None:
    pane = Plate(2.498, 1.5230)
    assert residual_um([pane], [pane], 2.0) == 0.0
    assert residual_um([], [pane], 2.0) == -residual_um([pane], [], 2.0)
    split = [Plate(1.0, 1.5230), Plate(1.498, 1.5230)]
    assert residual_um(split, [pane], 2.0) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.published
def test_sensitivities() -> None:
    # Derivatives of t (1 - 1/n), n = 1.52, t = 2 mm: .8657 um for .001 of index, .3421 um for 1 um of thickness.
    assert paraxial_u_um(2.0, 0.0, 1.52, 0.001) == pytest.approx(0.8657, abs=5e-5)
    assert paraxial_u_um(2.0, 0.001, 1.52, 0.0) == pytest.approx(0.3421, abs=5e-5)
    assert paraxial_u_um(2.0, 0.001, 1.52, 0.001) == pytest.approx(math.hypot(0.8657, 0.3421), abs=1e-4)


@pytest.mark.published
@pytest.mark.parametrize(
    ("index_f", "index_c", "expected"),
    # Indices at F and C from the makers' Sellmeier terms (refractiveindex.info, CC0); shift larger in blue.
    [(1.522376, 1.514322, 3.494), (1.529991, 1.520392, 4.126), (1.806513, 1.775955, 9.525)],
)
def test_axial_colour_of_a_plate(index_f: float, index_c: float, expected: float) -> None:
    assert paraxial_shift_um(1.0, index_f) - paraxial_shift_um(1.0, index_c) == pytest.approx(expected, abs=1e-3)


def test_vacuum_index_instead_of_the_catalogue_one_is_told_apart() -> None:
    # Ciddor 1996: n of air at the e line is 1 + 27792e-8; the error of confusing the two is about .18 um per mm.
    assert paraxial_shift_um(1.0, N_BK7_E * 1.00027792) - paraxial_shift_um(1.0, N_BK7_E) == pytest.approx(
        0.18, abs=5e-3
    )


def test_impossible_plates_and_cones_are_refused() -> None:
    with pytest.raises(ValueError, match="thickness"):
        paraxial_shift_um(-1.0, 1.5)
    with pytest.raises(ValueError, match="thickness"):
        marginal_shift_um(1.0, 0.9, 2.0)
    with pytest.raises(ValueError, match="f-number"):
        marginal_shift_um(1.0, 1.5, 0.3)
