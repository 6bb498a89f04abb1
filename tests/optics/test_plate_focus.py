"""Where best focus goes behind a plate: published quadratures, and a transfer function that shares no code with it."""

from __future__ import annotations

import math

import pytest

from benchd.optics.plate import Plate, longitudinal_aberration_um
from benchd.optics.plate_focus import beyond_paraxial_u_um, beyond_paraxial_um, peak_um, third_order_waves
from benchd_simulators.world.lens import Optic

E_LINE_NM = 546.074
PANE = Plate(2.498, 1.5230)


@pytest.mark.published
@pytest.mark.parametrize(
    ("f_number", "expected"),
    # 2 mm N-BK7 (n_e 1.518722), 546 nm, a perfect lens: um beyond paraxial at 10, 20, 40, 80 lp/mm, by a quadrature of
    # the transfer function of W040 and W020 that shares no code with ours.
    [
        (2.0, (15.25, 14.97, 14.43, 13.47)),
        (2.8, (7.72, 7.53, 7.17, 6.54)),
        (4.0, (3.74, 3.61, 3.37, 2.99)),
    ],
)
def test_where_best_focus_goes(f_number: float, expected: tuple[float, ...]) -> None:
    waves = 0.66655 * (2.0 / f_number) ** 4
    for lp_mm, shift in zip((10.0, 20.0, 40.0, 80.0), expected, strict=True):
        assert peak_um(waves, f_number, lp_mm, E_LINE_NM) == pytest.approx(shift, abs=0.01)


@pytest.mark.published
def test_third_order_of_a_plate() -> None:
    # Welford, Aberrations of Optical Systems, plane plate (place quoted from memory): .66655 waves at f/2 for 2 mm.
    assert third_order_waves([Plate(2.0, 1.5168)], 2.0, E_LINE_NM) == pytest.approx(0.66655, rel=1e-4)
    assert third_order_waves([Plate(2.0, 1.5168)], 4.0, E_LINE_NM) == pytest.approx(0.66655 / 16.0, rel=1e-4)


@pytest.mark.parametrize("f_number", [2.0, 2.8, 4.0, 5.6, 8.0])
@pytest.mark.parametrize("own_waves", [-1.0, 0.0, 0.4, 1.0])
def test_against_the_sheared_pupil_of_the_simulator(f_number: float, own_waves: float) -> None:
    """Of a lens with aberration of its own, once with the plate and once without."""
    wave_um = E_LINE_NM / 1000.0
    plate_waves = third_order_waves([PANE], f_number, E_LINE_NM)

    def peak(waves: float) -> float:
        return Optic(f_number, 0.0, (waves * wave_um,)).peak_um(40.0)

    third = 16e-3 * f_number**2 * plate_waves * E_LINE_NM
    exact = longitudinal_aberration_um([PANE], f_number) / third
    expected = (peak(own_waves) - peak(own_waves - plate_waves)) * exact
    found = beyond_paraxial_um([PANE], f_number, 40.0, E_LINE_NM, own_waves=own_waves)
    assert found == pytest.approx(expected, abs=0.01)


def test_layers_add_and_no_plate_shifts_nothing() -> None:
    halves = [Plate(1.0, 1.5230), Plate(1.498, 1.5230)]
    whole = beyond_paraxial_um([PANE], 2.8, 40.0, E_LINE_NM)
    assert beyond_paraxial_um(halves, 2.8, 40.0, E_LINE_NM) == pytest.approx(whole, abs=1e-6)
    assert beyond_paraxial_um([], 2.8, 40.0, E_LINE_NM) == 0.0
    assert beyond_paraxial_u_um([], 2.8, 40.0, E_LINE_NM, open_f_number=2.8) == (0.0, 0.0)


def test_a_closed_iris_leaves_little_of_the_lens_and_the_stop_counts_twice() -> None:
    """What goes with the inverse square of the f-number is off by twice as much as that, here 6 % of it at the most."""
    whole = beyond_paraxial_um([PANE], 5.6, 40.0, E_LINE_NM)
    of_open, by_stop = beyond_paraxial_u_um([PANE], 5.6, 40.0, E_LINE_NM, open_f_number=5.6)
    of_closed, same = beyond_paraxial_u_um([PANE], 5.6, 40.0, E_LINE_NM, open_f_number=2.0)
    assert by_stop == same == pytest.approx(0.12 * whole / math.sqrt(3.0))
    assert of_closed < 0.01 * of_open
    # A wave each way at the open stop moves it by .045 at the most (by the simulator's transfer function).
    wave_um = E_LINE_NM / 1000.0
    plate_waves = third_order_waves([PANE], 5.6, E_LINE_NM)

    def moved(own: float) -> float:
        bare, behind = (Optic(5.6, 0.0, (w * wave_um,)).peak_um(40.0) for w in (own - plate_waves, own))
        return behind - bare

    most = max(abs(moved(own) - moved(0.0)) for own in (-1.0, 1.0))
    assert of_open == pytest.approx(most / math.sqrt(3.0), rel=0.1)
