"""Thermal expansion against handbook arithmetic and the end-gauge example of the GUM."""

from __future__ import annotations

import math

import pytest

from benchd.optics.expansion import coefficient_u_um, expansion_um


@pytest.mark.published
def test_growth() -> None:
    # 100 mm of aluminium, 23.6e-6/K (handbook), 5 K from the reference of ISO 1; 52 mm of gauge steel, 11.5e-6/K
    # (JCGM 100, H.1) per kelvin.
    assert expansion_um(100_000.0, 23.6e-6, 5.0) == pytest.approx(11.80)
    assert expansion_um(52_000.0, 11.5e-6, 1.0) == pytest.approx(0.598)


@pytest.mark.published
def test_what_the_doubt_of_alpha_adds_with_its_second_order() -> None:
    # JCGM 100, H.1: 50 mm; alpha difference 0 known to a rectangular 1e-6, temperature -0.1 C with u = 0.41 C.
    # First order 2.9 nm (H.1.4), second order 11.7 nm (H.1.7).
    u_alpha, u_temperature = 1e-6 / math.sqrt(3.0), math.hypot(0.2, 0.5 / math.sqrt(2.0))
    first = coefficient_u_um(50_000.623, u_alpha, -0.1, 0.0)
    both = coefficient_u_um(50_000.623, u_alpha, -0.1, u_temperature)
    assert 1000.0 * first == pytest.approx(2.9, abs=0.05)
    assert 1000.0 * math.sqrt(both**2 - first**2) == pytest.approx(11.7, abs=0.05)
