"""The residual of a plate beside the one a lens was made for: each is off its record, equal or not."""

from __future__ import annotations

import math

import pytest

from benchd.bench.datum.glass_residual import glass_residual
from benchd.files.artefacts import Layer

PANE = Layer(thickness_mm=2.498, u_mm=0.02, index=1.5230, u_index=0.005, at_nm=546)


def by_hand_u(f_number: float) -> float:
    """Third order: half of t (n^2 - 1) / (8 n^3 N^2) in um, differentiated by hand for t and n."""
    t, n = 1000 * PANE.thickness_mm, PANE.index
    half = t * (n * n - 1) / (16 * n**3 * f_number**2)
    by_n = half * (2 / (n - 1 / n) - 3 / n)
    return math.hypot(half / t * 1000 * PANE.u_mm, by_n * PANE.u_index)


@pytest.mark.parametrize("f_number", [2.8, 4.0, 8.0])
def test_equal_plates_leave_no_residual_but_the_doubt_of_both(f_number: float) -> None:
    value, u = glass_residual([PANE], [PANE], f_number)
    assert value == 0.0
    assert u == pytest.approx(math.sqrt(2.0) * by_hand_u(f_number), rel=0.05)


@pytest.mark.published
@pytest.mark.parametrize(
    ("f_number", "peaks"),
    # Where the modulation of a perfect lens peaks behind 2 mm of N-BK7, um beyond paraxial, at 10, 20, 40, 80 lp/mm,
    # 546 nm: by a quadrature of the transfer function that shares no code with the project.
    [(2.0, (15.25, 14.97, 14.43, 13.47)), (2.8, (7.72, 7.53, 7.17, 6.54)), (4.0, (3.74, 3.61, 3.37, 2.99))],
)
def test_what_is_stated_holds_best_focus_at_every_frequency_and_not_much_more(
    f_number: float, peaks: tuple[float, ...]
) -> None:
    exact = Layer(thickness_mm=2.0, u_mm=1e-5, index=1.5168, u_index=1e-7, at_nm=546)
    value, u = glass_residual([exact], [], f_number)
    off = [abs(peak - value) / (math.sqrt(3.0) * u) for peak in peaks]  # 1 is the edge of the rectangle stated
    assert 0.8 < max(off) < 1.0


def test_without_the_plate_it_was_made_for_the_model_is_most_of_the_doubt() -> None:
    value, u = glass_residual([PANE], [], 4.0)
    assert value > 0.0
    assert u == pytest.approx(math.hypot(0.18 * value, by_hand_u(4.0)), rel=0.01)
    assert glass_residual([], [], 4.0) == (0.0, 0.0)


@pytest.mark.parametrize("by", ["thickness", "index"])
def test_a_plate_is_in_doubt_by_its_thickness_and_by_its_index(by: str) -> None:
    """The greater of the two hides the other where they are looked at together."""
    t, n, f_number = 2498.0, 1.523, 4.0
    half = t * (n * n - 1) / (16 * n**3 * f_number**2)
    if by == "thickness":
        plate, expected = PANE.model_copy(update={"u_mm": 0.05, "u_index": 1e-9}), half / t * 50.0
    else:
        plate = PANE.model_copy(update={"u_mm": 1e-9, "u_index": 0.02})
        expected = abs(half * (2 * n / (n * n - 1) - 3 / n)) * 0.02
    assert glass_residual([plate], [plate], f_number)[1] == pytest.approx(math.sqrt(2.0) * expected, rel=0.05)
