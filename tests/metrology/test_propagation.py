"""Correlated inputs against JCGM 100 H.2, GTC and uncertainties."""

from __future__ import annotations

import GTC
import numpy as np
import pytest
from uncertainties import correlated_values, umath

from benchd.metrology.propagation import correlations, derivatives_at, propagate
from benchd.metrology.repeats import covariance_of_means

V = [5.007, 4.994, 5.005, 4.990, 4.999]
MILLIAMPS = [19.663, 19.639, 19.640, 19.685, 19.678]
PHASE = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def _impedance(inputs: np.ndarray) -> list[float]:
    volts, milliamps, phase = inputs
    z = volts / (milliamps * 1e-3)
    return [z * np.cos(phase), z * np.sin(phase), z]


@pytest.mark.published
def test_resistance_reactance_impedance() -> None:
    # JCGM 100, H.2, approach 1 (Tables H.2 to H.4).
    readings = np.array([V, MILLIAMPS, PHASE])
    covariance = covariance_of_means(readings)
    u = np.sqrt(np.diag(covariance))
    assert u == pytest.approx([0.0032, 0.0095, 0.00075], abs=6e-5)
    between = correlations(covariance)
    assert [between[0, 1], between[0, 2], between[1, 2]] == pytest.approx([-0.355, 0.858, -0.645], abs=6e-4)

    means = readings.mean(axis=1)
    assert _impedance(means) == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    results = propagate(derivatives_at(_impedance, means, u), covariance)
    assert np.sqrt(np.diag(results)) == pytest.approx([0.0711, 0.2956, 0.2363], abs=6e-5)
    among = correlations(results)
    assert [among[0, 1], among[0, 2], among[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


@pytest.mark.published
def test_against_gtc_and_uncertainties() -> None:
    # GTC 1.5 and uncertainties 3.2, from the same readings.
    readings = np.array([V, MILLIAMPS, PHASE])
    covariance = covariance_of_means(readings)
    means = readings.mean(axis=1)
    ours = np.sqrt(np.diag(propagate(derivatives_at(_impedance, means, np.sqrt(np.diag(covariance))), covariance)))

    volts, milliamps, phase = GTC.type_a.multi_estimate_real([V, MILLIAMPS, PHASE])
    z = volts / (milliamps * 1e-3)
    by_gtc = [GTC.uncertainty(part) for part in (z * GTC.cos(phase), z * GTC.sin(phase), z)]
    assert ours == pytest.approx(by_gtc, rel=1e-5)

    volts, milliamps, phase = correlated_values(means, covariance)
    z = volts / (milliamps * 1e-3)
    other = [part.std_dev for part in (z * umath.cos(phase), z * umath.sin(phase), z)]
    assert ours == pytest.approx(other, rel=1e-5)


@pytest.mark.published
def test_vertex_of_a_parabola_with_uncertain_coefficients() -> None:
    # Algebra and GTC: y = a x^2 + b x with a -.002 (1e-5), b .04 (2e-4): vertex -b/2a = 10.0, u .07071.
    def vertex(inputs: np.ndarray) -> float:
        return float(-inputs[1] / (2.0 * inputs[0]))

    at, us = [-0.002, 0.04], [1e-5, 2e-4]
    variance = propagate(derivatives_at(vertex, at, us), np.diag(np.square(us)))
    assert vertex(np.array(at)) == pytest.approx(10.0)
    assert float(np.sqrt(variance[0, 0])) == pytest.approx(0.07071, abs=6e-6)
    by_gtc = -GTC.ureal(0.04, 2e-4) / (2.0 * GTC.ureal(-0.002, 1e-5))
    assert float(np.sqrt(variance[0, 0])) == pytest.approx(GTC.uncertainty(by_gtc), rel=1e-4)


def test_an_exact_input_adds_nothing() -> None:
    jacobian = derivatives_at(lambda x: x[0] * x[1], [2.0, 3.0], [0.1, 0.0])
    assert jacobian.tolist() == [[pytest.approx(3.0), 0.0]]
    assert correlations(np.zeros((2, 2))).tolist() == [[0.0, 0.0], [0.0, 0.0]]
