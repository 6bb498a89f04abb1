"""The conjugate term against Newton's formula and against differences of itself."""

from __future__ import annotations

import math
import random
import statistics

import pytest

from benchd.optics.conjugate import (
    best_conjugate,
    conjugate_from_both,
    conjugate_from_distance,
    conjugate_from_m,
    magnification,
    magnification_with_u,
)


@pytest.mark.published
@pytest.mark.parametrize(
    ("focal_length_mm", "object_mm", "shift_mm"),
    # Newton: x' = f^2/(u - f), u from the front principal plane.
    [(50.0, 2000.0, 1.282051), (50.0, 1000.0, 2.631579), (100.0, 3000.0, 3.448276), (25.0, 1000.0, 0.641026)],
)
def test_shift_for_an_object_distance(focal_length_mm: float, object_mm: float, shift_mm: float) -> None:
    total = object_mm + focal_length_mm + shift_mm  # image distance from the rear plane is f + x'
    found = conjugate_from_distance(total, 0.0, focal_length_mm, 0.0)
    assert found.x_um == pytest.approx(1000.0 * shift_mm, abs=6e-4)


@pytest.mark.published
@pytest.mark.parametrize(("total_mm", "shift_mm"), [(2000.0, 1.316702), (1000.0, 2.786405), (5000.0, 0.510257)])
def test_shift_for_a_distance_from_object_to_image(total_mm: float, shift_mm: float) -> None:
    # Newton's formula with u eliminated, f = 50 mm, thin lens: distances as scales are engraved.
    assert conjugate_from_distance(total_mm, 0.0, 50.0, 0.0).x_um == pytest.approx(1000.0 * shift_mm, abs=6e-4)


@pytest.mark.published
def test_magnification_of_the_standard_wall() -> None:
    # f 50 mm, T 5000 mm: m .0102051 (root of T = f (1 + m)^2/m), x' = f m.
    m = magnification(50.0, 5000.0)
    assert m == pytest.approx(0.0102051, abs=5e-8)
    assert conjugate_from_m(50.0, 0.0, m, 0.0).x_um == pytest.approx(510.257, abs=1e-3)
    assert 50.0 * (1.0 + m) ** 2 / m == pytest.approx(5000.0)


def test_the_three_routes_agree() -> None:
    m = magnification(49.6, 5000.0, 10.0)
    by_m = conjugate_from_m(49.6, 0.2, m, 0.001 * m)
    by_distance = conjugate_from_distance(5000.0, 3.0, 49.6, 0.2, 10.0, 10.0)
    by_both = conjugate_from_both(5000.0, 3.0, m, 0.001 * m, 10.0, 10.0)
    assert by_distance.x_um == pytest.approx(by_m.x_um)
    assert by_both.x_um == pytest.approx(by_m.x_um)


@pytest.mark.parametrize(
    ("name", "shifted"),
    [("distance", (1.0, 0.0, 0.0)), ("focal_length", (0.0, 0.01, 0.0)), ("gap", (0.0, 0.0, 1.0))],
)
def test_sensitivities_by_distance_are_its_differences(name: str, shifted: tuple[float, float, float]) -> None:
    step_t, step_f, step_h = shifted
    up = conjugate_from_distance(1000.0 + step_t, 0.0, 85.0 + step_f, 0.0, 20.0 + step_h, 0.0).x_um
    down = conjugate_from_distance(1000.0 - step_t, 0.0, 85.0 - step_f, 0.0, 20.0 - step_h, 0.0).x_um
    stated = conjugate_from_distance(1000.0, step_t, 85.0, step_f, 20.0, step_h)
    assert stated.contributions[name] == pytest.approx(abs(up - down) / 2.0, rel=1e-4)
    assert stated.u_um == pytest.approx(stated.contributions[name])


def test_magnification_by_distance_states_the_scatter_of_its_inputs() -> None:
    rng = random.Random(11)
    f, t, h = 85.0, 1500.0, 20.0
    for u_t, u_f, u_h in ((3.0, 0.0, 0.0), (0.0, 0.2, 0.0), (0.0, 0.0, 10.0), (3.0, 0.1, 5.0)):
        draws = [magnification(rng.gauss(f, u_f), rng.gauss(t, u_t), rng.gauss(h, u_h)) for _ in range(4000)]
        m, u = magnification_with_u(t, u_t, f, u_f, h, u_h)
        assert m == magnification(f, t, h)
        # The standard deviation of 4000 draws is known to 1.1 %.
        assert statistics.stdev(draws) == pytest.approx(u, rel=0.045)


def test_routes_state_the_scatter_of_their_own_inputs() -> None:
    rng = random.Random(7)
    f, t, h = 50.0, 5000.0, 0.0
    m = magnification(f, t, h)
    draws_m, draws_both, draws_distance = [], [], []
    for _ in range(4000):
        one_f, one_t, one_h = rng.gauss(f, 0.3), rng.gauss(t, 10.0), rng.gauss(h, 10.0)
        one_m = rng.gauss(m, 0.001 * m)
        draws_m.append(conjugate_from_m(one_f, 0.0, one_m, 0.0).x_um)
        draws_both.append(conjugate_from_both(one_t, 0.0, one_m, 0.0, one_h, 0.0).x_um)
        draws_distance.append(conjugate_from_distance(one_t, 0.0, one_f, 0.0, one_h, 0.0).x_um)
    # The standard deviation of 4000 draws is known to 1.1 %.
    for draws, stated in (
        (draws_m, conjugate_from_m(f, 0.3, m, 0.001 * m)),
        (draws_both, conjugate_from_both(t, 10.0, m, 0.001 * m, h, 10.0)),
        (draws_distance, conjugate_from_distance(t, 10.0, f, 0.3, h, 10.0)),
    ):
        assert statistics.stdev(draws) == pytest.approx(stated.u_um, rel=0.045)


def test_the_best_route_is_the_least_uncertain_one() -> None:
    m = magnification(50.0, 5000.0)
    engraved = best_conjugate(
        focal_length_mm=50.0, u_focal_length_mm=0.5, distance_mm=5000.0, u_distance_mm=3.0, u_gap_mm=10.0, m=m, u_m=1e-5
    )
    assert engraved.route == "m and distance"
    assert "focal_length" not in engraved.contributions
    measured = best_conjugate(
        focal_length_mm=50.0, u_focal_length_mm=0.01, distance_mm=5000.0, u_distance_mm=50.0, m=m, u_m=1e-5
    )
    assert measured.route == "m"
    no_marks = best_conjugate(focal_length_mm=50.0, u_focal_length_mm=0.5, distance_mm=5000.0, u_distance_mm=3.0)
    assert no_marks.route == "distance"
    assert no_marks.u_um == pytest.approx(math.hypot(*no_marks.contributions.values()))


def test_what_cannot_form_an_image_is_refused() -> None:
    with pytest.raises(ValueError, match="too near"):
        magnification(50.0, 199.0)
    with pytest.raises(ValueError, match="focal length"):
        magnification(0.0, 5000.0)
    with pytest.raises(ValueError, match="distance to the wall"):
        best_conjugate(focal_length_mm=50.0, u_focal_length_mm=0.5)
