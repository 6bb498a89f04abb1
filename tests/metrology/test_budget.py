"""Budgets against the worked examples and tables of the GUM, and against GTC."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest

from benchd.metrology.budget import Term, combine, effective_dof, standard_u
from benchd.metrology.distribution import ErrorDistribution, Shape, coverage_factor


def _end_gauge() -> list[Term]:
    """JCGM 100:2008, H.1, in nm."""
    length, alpha, theta = 50_000_623.0, 11.5e-6, -0.1
    return [
        Term("standard", 25.0, "B", 18.0, "certificate"),
        Term("comparison", 5.8, "A", 24.0, "readings"),
        Term("comparator, random", 3.9, "B", 5.0, "certificate"),
        Term("comparator, systematic", 6.7, "B", 8.0, "certificate"),
        Term(
            "alpha difference", length * abs(theta) * standard_u(1e-6, "rectangular"), "B", 50.0, "H.1", "rectangular"
        ),
        Term(
            "temperature difference",
            length * alpha * standard_u(0.05, "rectangular"),
            "B",
            2.0,
            "H.1",
            "rectangular",
        ),
    ]


@pytest.mark.published
def test_end_gauge() -> None:
    # JCGM 100:2008, H.1: u 32 nm, 16 degrees of freedom (16.7 truncated), t99(16) = 2.92, U99 = 93 nm.
    terms = _end_gauge()
    assert [term.u for term in terms] == pytest.approx([25.0, 5.8, 3.9, 6.7, 2.887, 16.599], abs=6e-4)
    result = combine(terms, coverage=0.99)
    assert result.u == pytest.approx(31.664, abs=6e-4)
    assert result.dof == pytest.approx(16.75, abs=6e-3)
    assert result.shape == "t"
    assert math.floor(result.dof or 0.0) == 16
    assert round(32.0 * coverage_factor(16, 0.99)) == 93
    # Without truncation and without rounding u first the interval is 1 nm shorter.
    assert pytest.approx(coverage_factor(result.dof, 0.99) * result.u) == result.U
    assert pytest.approx(93.0, abs=1.5) == result.U


@pytest.mark.published
def test_end_gauge_by_gtc() -> None:
    # GTC 1.5, an independent implementation of the GUM, from the model of H.1 itself.
    standard = GTC.ureal(50_000_623.0, 25.0, 18)
    difference = GTC.ureal(215.0, 5.8, 24) + GTC.ureal(0.0, 3.9, 5) + GTC.ureal(0.0, 6.7, 8)
    alpha = GTC.ureal(11.5e-6, GTC.type_b.uniform(2e-6))
    alpha_difference = GTC.ureal(0.0, GTC.type_b.uniform(1e-6), 50)
    theta = GTC.ureal(-0.1, 0.2) + GTC.ureal(0.0, GTC.type_b.arcsine(0.5))
    theta_difference = GTC.ureal(0.0, GTC.type_b.uniform(0.05), 2)
    length = standard + difference - standard * (alpha_difference * theta + alpha * theta_difference)
    result = combine(_end_gauge())
    assert GTC.value(length) == pytest.approx(50_000_838.0)
    assert result.u == pytest.approx(GTC.uncertainty(length), rel=1e-4)
    assert result.dof == pytest.approx(GTC.dof(length), rel=1e-3)


@pytest.mark.published
def test_effective_degrees_of_freedom() -> None:
    # JCGM 100, G.4.2: relative u .25 .57 .82 % from 10, 5 and 15 readings -> 1.03 %, 19 dof, t95 2.09, U 2.2 %.
    # With n instead of n - 1 one would get 21.7.
    us, dofs = [0.25, 0.57, 0.82], [9.0, 4.0, 14.0]
    result = combine(
        [Term(f"input {i}", u, "A", dof, "G.4.2") for i, (u, dof) in enumerate(zip(us, dofs, strict=True))]
    )
    assert result.u == pytest.approx(1.03, abs=5e-3)
    assert effective_dof(us, dofs) == pytest.approx(19.0, abs=0.05)
    assert result.k == pytest.approx(2.09, abs=5e-3)
    assert pytest.approx(2.2, abs=0.05) == result.U


@pytest.mark.published
@pytest.mark.parametrize(
    ("coverage", "table"),
    # JCGM 100, Table G.2, with a digit more of the t distribution; a normal distribution in its last row.
    [
        (
            0.95,
            {1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 9: 2.262, 10: 2.228, 16: 2.120, 20: 2.086, 50: 2.009,
             None: 1.960},
        ),
        (
            0.9545,
            {1: 13.968, 2: 4.527, 3: 3.307, 4: 2.869, 5: 2.649, 9: 2.320, 10: 2.284, 16: 2.169, 20: 2.133, 50: 2.051,
             None: 2.000},
        ),
        (0.99, {16: 2.921}),
    ],
)  # fmt: skip
def test_coverage_factors(coverage: float, table: dict[int | None, float]) -> None:
    for dof, k in table.items():
        assert coverage_factor(dof, coverage) == pytest.approx(k, abs=5.1e-4)


@pytest.mark.published
def test_divisors() -> None:
    # JCGM 100, 4.3.7 (rectangular), 4.3.9 (triangle), H.1.3.4 (arcsine).
    assert standard_u(1.0, "rectangular") == pytest.approx(1.0 / math.sqrt(3.0))
    assert standard_u(1.0, "triangular") == pytest.approx(1.0 / math.sqrt(6.0))
    assert standard_u(1.0, "arcsine") == pytest.approx(1.0 / math.sqrt(2.0))


@pytest.mark.published
def test_four_rectangles_one_of_them_ten_times_the_others() -> None:
    # JCGM 101:2008, 9.2.4: standard uncertainties 1, 1, 1, 10, all rectangular: u 10.15, 95 % +-17.0, where the law of
    # propagation with k = 1.96 says +-19.9.
    terms = [Term(f"X{i}", 1.0, "B", None, "9.2", "rectangular") for i in range(3)]
    terms.append(Term("X4", 10.0, "B", None, "9.2", "rectangular"))
    result = combine(terms)
    assert result.u == pytest.approx(10.15, abs=5e-3)
    assert result.shape == "convolution"
    assert pytest.approx(17.0, abs=0.05) == result.U
    assert result.k == pytest.approx(17.0 / 10.15, abs=6e-3)


@pytest.mark.published
def test_four_normals_and_four_equal_rectangles() -> None:
    # JCGM 101:2008, 9.2.2: four normals of u 1: 2.00 and +-3.92. 9.2.3: four rectangles of u 1: u 2.00 and, by the
    # analytical solution and by Monte Carlo, +-3.88. None dominates, but together they are all there is.
    normal = combine([Term(f"X{i}", 1.0, "B", None, "9.2") for i in range(4)])
    assert normal.u == pytest.approx(2.0)
    assert normal.shape == "normal"
    assert pytest.approx(3.92, abs=5e-3) == normal.U
    rectangles = combine([Term(f"X{i}", 1.0, "B", None, "9.2", "rectangular") for i in range(4)])
    assert rectangles.u == pytest.approx(2.0)
    assert rectangles.shape == "convolution"
    assert pytest.approx(3.88, abs=5e-3) == rectangles.U


def test_several_bounded_lines_that_hold_most_of_it_together_are_convolved() -> None:
    """Two rectangles of half the variance each: U was stated 2.77, where 95 % of the errors lie within 2.69."""
    two = [Term(name, 1.0, "B", None, "x", "rectangular") for name in ("a", "b")]
    result = combine(two)
    # The sum of two equal rectangles of half-width a is a triangle of half-width 2 a: 95 % within 2 a (1 - root .05).
    assert pytest.approx(2.0 * math.sqrt(3.0) * (1.0 - math.sqrt(0.05)), abs=2e-3) == result.U
    rng = np.random.default_rng(8)
    n = 400_000
    mixed = [*two, Term("c", 0.8, "B", None, "x", "arcsine"), Term("rest", 0.9, "A", 6.0, "x")]
    draws = rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), (2, n)).sum(axis=0)
    draws = draws + 0.8 * math.sqrt(2.0) * np.sin(rng.uniform(0.0, 2.0 * np.pi, n)) + 0.9 * rng.standard_t(6.0, n)
    share = float(np.mean(np.abs(draws) <= combine(mixed).U))
    assert share == pytest.approx(0.95, abs=4.0 * math.sqrt(0.95 * 0.05 / n) + 2e-4)


@pytest.mark.parametrize("shape", ["rectangular", "arcsine", "triangular"])
@pytest.mark.parametrize(("ratio", "dof"), [(1.6, None), (3.0, None), (2.0, 6.0), (5.0, 4.0)])
def test_convolution_holds_what_it_says_by_random_draws(shape: str, ratio: float, dof: float | None) -> None:
    rng = np.random.default_rng(20)
    n = 400_000
    half = {"rectangular": math.sqrt(3.0), "arcsine": math.sqrt(2.0), "triangular": math.sqrt(6.0)}[shape] * ratio
    bounded = {
        "rectangular": lambda: rng.uniform(-half, half, n),
        "arcsine": lambda: half * np.sin(rng.uniform(0.0, 2.0 * np.pi, n)),
        "triangular": lambda: rng.triangular(-half, 0.0, half, n),
    }[shape]()
    rest = rng.standard_normal(n) if dof is None else rng.standard_t(dof, n)
    result = combine([Term("bound", ratio, "B", None, "draw", shape), Term("rest", 1.0, "A", dof, "draw")])  # type: ignore[arg-type]
    assert result.shape == "convolution"
    share = float(np.mean(np.abs(bounded + rest) <= result.U))
    assert share == pytest.approx(0.95, abs=4.0 * math.sqrt(0.95 * 0.05 / n) + 2e-4)


def test_a_lone_rectangle_is_held_without_margin() -> None:
    for shape, reach in (("rectangular", 0.95), ("arcsine", math.sin(0.475 * math.pi)), ("triangular", 1 - 0.05**0.5)):
        u = standard_u(1.0, shape)  # type: ignore[arg-type]
        result = combine([Term("zero", u, "B", None, "given", shape)])  # type: ignore[arg-type]
        assert pytest.approx(reach, rel=1e-5) == result.U


@pytest.mark.parametrize("share", [0.02, 0.09, 0.11, 0.6])
def test_the_convolution_with_a_rectangle_is_its_closed_form(share: float) -> None:
    # P(X <= x) of a rectangle +-a and a normal u: the integral of Phi is z Phi(z) + phi(z).
    a, u = math.sqrt(3.0), share
    distribution = ErrorDistribution(u, None, (("rectangular", 1.0),))

    def integral(z: float) -> float:
        return z * 0.5 * math.erfc(-z / math.sqrt(2.0)) + math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)

    for x in (0.0, 0.7, 1.6, 1.75, 2.0, 3.0):
        exact = u / (2.0 * a) * (integral((x + a) / u) - integral((x - a) / u))
        assert distribution.cdf(x) == pytest.approx(exact, abs=2e-5)
        assert distribution.cdf(-x) == pytest.approx(1.0 - exact, abs=2e-5)


def test_below_the_dominant_share_the_tables_decide() -> None:
    under = combine(
        [Term("a", math.sqrt(0.69), "B", None, "x", "rectangular"), Term("b", math.sqrt(0.31), "A", 9, "x")]
    )
    over = combine([Term("a", math.sqrt(0.71), "B", None, "x", "rectangular"), Term("b", math.sqrt(0.29), "A", 9, "x")])
    assert (under.shape, over.shape) == ("t", "convolution")
    assert over.k < under.k


def test_an_empty_budget_is_exact_and_a_negative_line_is_refused() -> None:
    nothing = combine([Term("exact", 0.0, "B", None, "x", "rectangular")])
    assert (nothing.u, nothing.U, nothing.dof) == (0.0, 0.0, None)
    with pytest.raises(ValueError, match="not negative"):
        Term("bad", -1.0, "B", None, "x")
    with pytest.raises(ValueError, match="degrees of freedom"):
        Term("bad", 1.0, "A", 0.0, "x")
    with pytest.raises(ValueError, match="half-width"):
        standard_u(1.0, "normal")
    with pytest.raises(ValueError, match="coverage"):
        coverage_factor(None, 1.0)


@pytest.mark.parametrize("u_core", [0.0, 0.05, 1.3])
@pytest.mark.parametrize(
    "shapes", [(), (("rectangular", 0.9),), (("triangular", 0.4), ("arcsine", 0.7), ("rectangular", 0.2))]
)
def test_scaled_it_is_as_one_of_that_width(u_core: float, shapes: tuple[tuple[Shape, float], ...]) -> None:
    for factor in (0.3, 2.5):
        scaled = ErrorDistribution(u_core, 7.0, shapes).scaled(factor)
        anew = ErrorDistribution(factor * u_core, 7.0, tuple((shape, factor * u) for shape, u in shapes))
        assert scaled == anew
        for x in (-1.1, 0.0, 0.2, 0.83, 4.0):
            assert scaled.cdf(x) == pytest.approx(anew.cdf(x), abs=1e-12)
    assert ErrorDistribution(u_core, 7.0, shapes).scaled(0.0) == ErrorDistribution(0.0, 7.0)
