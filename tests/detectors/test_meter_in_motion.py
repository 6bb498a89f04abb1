"""Light through a slit gathered over a way: a curve of means over it is fitted, and peaks where that at rest does.

The curve is of the simulators' optics, without noise: what a fit of it is off by, by the family, it is at rest as well.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchd.bench.sweep.continuous import fit_legs
from benchd.detectors.detector import Detector
from benchd.detectors.meter.detector import MeterDetector
from benchd.detectors.values import CurveSeen
from benchd.metrology.shape_peak import ShapePeak
from benchd.optics.slit import lp_mm_of_slit
from study_meter import NM, NOMINAL_UM, TWICE, Case, Photodiode

OF = Photodiode(w040_waves=0.5)
WAY_UM, SMEARED_UM = 6.0, 4.0
NODES, WEIGHTS = np.polynomial.legendre.leggauss(9)


class Still:
    """The curve of a case over a way, and its fit."""

    def __init__(self, seed: int) -> None:
        case = Case(OF, np.random.default_rng(seed))
        self.z = np.round(case.truth_um) + np.linspace(-120.0, 120.0, 81)
        self.u = np.full(self.z.size, 1e-4)

        def light(z_um: float) -> float:
            case.place_um = NOMINAL_UM + z_um
            return case.passes()

        self.light = light

    def over(self, way_um: float) -> np.ndarray:
        """Of each place the mean over a way about it."""
        return np.array([0.5 * WEIGHTS @ [self.light(z + 0.5 * way_um * node) for node in NODES] for z in self.z])

    def fit(self, value: np.ndarray, most_um: float, least_um: float) -> tuple[ShapePeak, float]:
        """The fit where each value was gathered over so much, and what is left of the blur."""
        seen = CurveSeen(OF.f_number, lp_mm_of_slit(OF.slit_um), NM, TWICE, 0.0, 1, most_um, least_um)
        fit = MeterDetector.best_focus(self.z, value, self.u, seen)
        assert isinstance(fit, ShapePeak)
        return fit, MeterDetector.blurred_by_um(fit, self.z, value, self.u, seen)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_way_of_the_integration_is_known_and_wholly_taken_out(seed: int) -> None:
    """With a fast amplifier; where nothing says how much is sure, half of its blur is left."""
    of = Still(seed)
    (rest, _), moved = of.fit(of.over(0.0), 0.0, 0.0), of.over(WAY_UM)
    known, left_um = of.fit(moved, 1.001 * WAY_UM, WAY_UM)
    doubted, half_um = of.fit(moved, 1.001 * WAY_UM, 0.0)
    assert abs(known.peak_um - rest.peak_um) < 0.2 * abs(doubted.peak_um - rest.peak_um)
    assert left_um < 0.01 * half_um
    assert abs(doubted.peak_um - rest.peak_um) <= 1.1 * half_um


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_what_an_amplifier_smears_is_in_the_blur_where_it_is_nothing_and_the_most(share: float) -> None:
    of = Still(1)
    rest, _ = of.fit(of.over(0.0), 0.0, 0.0)
    found, half_um = of.fit(
        of.over(float(np.hypot(WAY_UM, share * SMEARED_UM))), float(np.hypot(WAY_UM, SMEARED_UM)), WAY_UM
    )
    assert abs(found.peak_um - rest.peak_um) == pytest.approx(half_um, rel=0.25)


def test_a_fit_of_another_curve_is_blurred_by_that_curve() -> None:
    """As a detector of its own has that states no blur: to where the mean of its curve over the way is largest."""
    of = Still(1)
    fit, _ = of.fit(of.over(0.0), 0.0, 0.0)
    seen = CurveSeen(OF.f_number, lp_mm_of_slit(OF.slit_um), NM, TWICE, 0.0, 1, WAY_UM)
    told = Detector.blurred_by_um(fit, of.z, of.over(0.0), of.u, seen)
    fine = fit.peak_um + np.linspace(-1.0, 1.0, 2001)
    mean = sum(0.5 * w * fit.curve(fine + 0.5 * WAY_UM * node)[0] for node, w in zip(NODES, WEIGHTS, strict=True))
    assert told == pytest.approx(abs(float(fine[int(np.argmax(mean))]) - fit.peak_um), rel=0.1, abs=0.001)
    assert told > 0.01


def test_passes_so_blurred_that_the_most_of_it_leaves_no_peak_are_told_as_such() -> None:
    """In the middle they have one: it is asked for only beside how far it may be off."""
    of, most_um, speed = Still(1), 40.0, 400.0
    value = of.over(0.7 * most_um)
    seen = CurveSeen(OF.f_number, lp_mm_of_slit(OF.slit_um), NM, TWICE, 0.0, 1, most_um)
    assert MeterDetector.best_focus(of.z, value, of.u, seen).peak_um == pytest.approx(of.z.mean(), abs=1.0)
    legs = []
    for z, values in ((of.z, value), (of.z[::-1], value[::-1])):
        t = np.abs(z - z[0]) / speed
        ends = np.concatenate([[-0.2], t, [t[-1] + 0.2]])
        polled = z[0] + np.sign(z[-1] - z[0]) * speed * ends
        legs.append(
            (ends.tolist(), polled.tolist(), [(at, most_um / speed, v, 1e-4) for at, v in zip(t, values, strict=True)])
        )
    told = fit_legs(legs, "meter", seen, 0.0)
    assert isinstance(told, str)
    assert "The curve is not one of a slit behind a lens" in told
