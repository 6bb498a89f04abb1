"""The polynomial machinery against NIST's hard cases and a vertex by hand."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.metrology.polynomial import polynomial_fit


@pytest.mark.published
@pytest.mark.parametrize("base", [1.0, 0.1])
def test_conditioning(base: float) -> None:
    # NIST StRD Wampler1 (base 1: all coefficients 1) and Wampler2 (base .1: 1, .1, .01 ..): residual scatter 0.
    x = np.arange(21.0)
    fit = polynomial_fit(x, sum((base * x) ** k for k in range(6)), 5)
    assert fit.raw_coefficients() == pytest.approx([base**k for k in range(6)], rel=2e-9)
    assert fit.dof == 15
    assert fit.chi2_per_dof**0.5 < 1e-8


@pytest.mark.published
def test_vertex_of_three_points() -> None:
    # Algebra: y(-10, 0, 10) = .5 .8 .6 peaks at 1.0.
    c = polynomial_fit([-10.0, 0.0, 10.0], [0.5, 0.8, 0.6], 2).raw_coefficients()
    assert -c[1] / (2.0 * c[2]) == pytest.approx(1.0)


def test_weights_and_covariance_are_those_of_the_normal_equations() -> None:
    rng = np.random.default_rng(3)
    z, u = rng.uniform(100.0, 140.0, 15), rng.uniform(0.5, 2.0, 15)
    y = rng.normal(0.0, 1.0, 15)
    fit = polynomial_fit(z, y, 2, u)
    design = np.vander((z - fit.centre) / fit.scale, 3, increasing=True)
    normal = design.T @ (design / u[:, None] ** 2)
    assert fit.coefficients == pytest.approx(np.linalg.solve(normal, design.T @ (y / u**2)))
    assert fit.unscaled_covariance == pytest.approx(np.linalg.inv(normal))
    assert fit(z) == pytest.approx(design @ fit.coefficients)


def test_too_few_points_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 3 points"):
        polynomial_fit([1.0, 2.0], [1.0, 2.0], 2)
    with pytest.raises(ValueError, match="above zero"):
        polynomial_fit([1.0, 2.0], [1.0, 2.0], 1, 0.0)
