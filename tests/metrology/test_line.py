"""The straight line against JCGM 100 H.3 and GTC."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest

from benchd.metrology.line import fit_line

T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


@pytest.mark.published
def test_thermometer_calibration() -> None:
    # JCGM 100, H.3: corrections b(t) = y1 + y2 (t - 20 C).
    line = fit_line(np.array(T) - 20.0, B)
    assert line.intercept == pytest.approx(-0.17120, abs=6e-6)
    assert line.u_intercept == pytest.approx(0.00288, abs=6e-6)
    assert line.slope == pytest.approx(0.0021827, abs=6e-8)
    assert line.u_slope == pytest.approx(0.00066794, abs=6e-9)
    assert line.correlation == pytest.approx(-0.9304, abs=6e-5)
    assert line.s == pytest.approx(0.0034976, abs=6e-8)
    assert line.dof == 9
    value, u = line.at(30.0 - 20.0)
    assert value == pytest.approx(-0.14938, abs=6e-6)
    assert u == pytest.approx(0.00414, abs=6e-6)


@pytest.mark.published
def test_against_gtc() -> None:
    # GTC 1.5, type_a.line_fit.
    other = GTC.type_a.line_fit([t - 20.0 for t in T], B)
    a, b = other.a_b
    line = fit_line(np.array(T) - 20.0, B)
    assert [line.intercept, line.slope] == pytest.approx([GTC.value(a), GTC.value(b)])
    assert line.u_intercept == pytest.approx(GTC.uncertainty(a))
    assert line.u_slope == pytest.approx(GTC.uncertainty(b))
    weighted = fit_line(T, B, [0.002 + 0.0005 * i for i in range(11)], trust_u=True)
    a, b = GTC.type_a.line_fit_wls(T, B, [0.002 + 0.0005 * i for i in range(11)]).a_b
    assert [weighted.intercept, weighted.slope] == pytest.approx([GTC.value(a), GTC.value(b)])
    assert weighted.u_slope == pytest.approx(GTC.uncertainty(b))


def test_two_trusted_points_make_a_line() -> None:
    line = fit_line([0.0, 10.0], [1.0, 3.0], [0.1, 0.2], trust_u=True)
    assert line.at(5.0) == pytest.approx((2.0, math.hypot(0.05, 0.1)))


def test_what_gives_no_line_is_refused() -> None:
    with pytest.raises(ValueError, match="three points"):
        fit_line([0.0, 1.0], [0.0, 1.0])
    with pytest.raises(ValueError, match="no u"):
        fit_line([0.0, 1.0, 2.0], [0.0, 1.0, 2.0], trust_u=True)
    with pytest.raises((ValueError, np.linalg.LinAlgError)):
        fit_line([1.0, 1.0, 1.0], [0.0, 1.0, 2.0])
