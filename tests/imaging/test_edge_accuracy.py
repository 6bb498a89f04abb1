"""How near the edge's response comes to the truth, and whether its stated uncertainty is the one found."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchd.imaging.edge import edge_modulation
from benchd.imaging.picture import linear_table

Floats = NDArray[np.float64]
Render = Callable[..., Floats]
Expose = Callable[..., NDArray[Any]]


def closed_form(f: float, tilt_deg: float, sigma: float) -> float:
    tilt = np.radians(tilt_deg)
    blur = np.exp(-2.0 * (np.pi * sigma * f) ** 2)
    return float(blur * np.sinc(f * np.cos(tilt)) * np.sinc(f * np.sin(tilt)))


def sixteen_bit(light: Floats) -> NDArray[np.uint16]:
    return np.rint(65535 * light).astype(np.uint16)


@pytest.mark.parametrize("sigma", [0.3, 0.6, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("tilt", [2.0, 3.3, -5.0, 10.0])
def test_no_bias_in_any_place(edge_light: Render, sigma: float, tilt: float) -> None:
    for shift in np.random.default_rng(1).uniform(-0.5, 0.5, 2):
        picture = sixteen_bit(edge_light(100, 100, tilt, sigma, shift))
        for f in (0.02, 0.05, 0.1, 0.25, 0.4):
            measured = edge_modulation(picture, "v", f)
            assert measured.modulation == pytest.approx(closed_form(f, tilt, sigma), abs=1e-4), (f, shift)
            assert measured.angle_deg == pytest.approx(tilt, abs=1e-3)
            assert measured.position == pytest.approx(49.5 + shift, abs=2e-3)


def test_whole_cycles_are_what_keeps_a_sharp_edge_right(edge_light: Render) -> None:
    """2 degrees over 100 rows are 3.49 cycles: 86 rows count, and every place of the edge gives the same answer."""
    shifts = np.linspace(-0.5, 0.5, 5)
    found = [edge_modulation(sixteen_bit(edge_light(100, 60, 2.0, 0.3, s)), "v", 0.4) for s in shifts]
    assert {edge.cycles for edge in found} == {3}
    assert np.ptp([edge.modulation for edge in found]) < 1e-4


def test_orientation_and_polarity_change_nothing(edge_light: Render) -> None:
    light = edge_light(90, 70, 5.0, 1.2, 0.2)
    upright = edge_modulation(sixteen_bit(light), "v", 0.1)
    lying = edge_modulation(sixteen_bit(light.T), "h", 0.1)
    reversed_ = edge_modulation(sixteen_bit(1.0 - light), "v", 0.1)
    assert lying == upright
    assert reversed_.modulation == pytest.approx(upright.modulation, abs=1e-5)
    assert reversed_.low == pytest.approx(0.15 * 65535, abs=2.0)


@pytest.mark.parametrize(
    ("case", "frequencies"),
    [
        ((64, 5.0, 0.6, 20000.0, 12), (0.05, 0.1, 0.25)),
        ((64, 5.0, 0.6, 2000.0, 8), (0.05, 0.1, 0.25)),
        ((100, 5.0, 1.5, 20000.0, 12), (0.05, 0.1, 0.25)),
        ((64, 3.0, 4.0, 20000.0, 12), (0.05, 0.1)),
    ],
)
def test_stated_uncertainty_is_the_scatter_found(
    edge_light: Render, expose: Expose, case: tuple[int, float, float, float, int], frequencies: tuple[float, ...]
) -> None:
    """Consistency with itself, no outside figure: u, propagated from the pixels of one picture, against the scatter of
    250 pictures whose noise is drawn by a camera model that the propagation does not know."""
    size, tilt, sigma, full_well, bits = case
    rng = np.random.default_rng(2)
    light = edge_light(size, size, tilt, sigma)
    pictures = [expose(light, rng, full_well, bits) for _ in range(250)]
    for f in frequencies:
        edges = [edge_modulation(picture, "v", f, full_scale=2**bits - 1) for picture in pictures]
        found = float(np.std([edge.modulation for edge in edges], ddof=1))
        stated = np.array([edge.u for edge in edges])
        # 250 pictures know their scatter to 4.5 %
        assert float(np.sqrt(np.mean(stated**2))) == pytest.approx(found, rel=0.15)
        assert float(np.std(stated**2) / np.mean(stated**2)) < 0.2
        mean = float(np.mean([edge.modulation for edge in edges]))
        assert abs(mean - closed_form(f, tilt, sigma)) < 4.0 * found / 250**0.5 + 1e-4


def test_scatter_falls_with_the_root_of_the_light(edge_light: Render, expose: Expose) -> None:
    """Counts of electrons have their mean for variance (Poisson): a tenth of them scatters by the root of ten more."""
    rng = np.random.default_rng(3)
    light = edge_light(64, 64, 5.0, 0.6)
    frequencies = (0.05, 0.1, 0.25)
    scatter = {}
    for full_well in (20000.0, 2000.0):
        pictures = [expose(light, rng, full_well, 12) for _ in range(250)]
        found = [[edge_modulation(one, "v", f, full_scale=4095).modulation for f in frequencies] for one in pictures]
        scatter[full_well] = np.std(found, axis=0, ddof=1)
    # 250 pictures know a scatter to 4.5 %, so their ratio to 6.3 %
    assert scatter[2000.0] / scatter[20000.0] == pytest.approx(10.0**0.5, rel=3 * 0.063)


def test_weak_modulation_is_not_lifted_by_noise(edge_light: Render, expose: Expose) -> None:
    """At twice its own scatter a plain |M| reads a quarter of a standard deviation too high."""
    rng = np.random.default_rng(5)
    light = edge_light(64, 80, 5.0, 3.0)
    truth = closed_form(0.16, 5.0, 3.0)
    edges = [edge_modulation(expose(light, rng, 8000.0, 12), "v", 0.16, full_scale=4095) for _ in range(600)]
    found = np.array([edge.modulation for edge in edges])
    sd = float(np.median([edge.u for edge in edges]))
    assert 1.6 * sd < truth < 2.4 * sd
    assert abs(float(found.mean()) - truth) < 0.15 * sd
    plain = np.hypot(found, sd)
    assert float(plain.mean()) - truth > 0.2 * sd


@pytest.mark.parametrize("sag", [0.25, 1.0, -0.5])
def test_a_curved_edge_is_followed(edge_light: Render, sag: float) -> None:
    picture = sixteen_bit(edge_light(100, 80, 5.0, 0.6, sag_px=sag))
    for f in (0.1, 0.25):
        edge = edge_modulation(picture, "v", f)
        assert edge.curved
        assert edge.sag_px == pytest.approx(sag, abs=0.02)
        assert edge.modulation == pytest.approx(closed_form(f, 5.0, 0.6), abs=4e-4)


def test_a_straight_edge_is_not_bent_by_noise(edge_light: Render, expose: Expose) -> None:
    rng = np.random.default_rng(8)
    light = edge_light(80, 60, 5.0, 1.0)
    curved = [edge_modulation(expose(light, rng, 20000.0, 12), "v", 0.1).curved for _ in range(100)]
    # 3 standard deviations: 0.3 in a hundred are expected
    assert sum(curved) <= 4


@pytest.mark.parametrize(("f", "sigma", "wrong_by"), [(0.1, 0.6, -0.005), (0.25, 0.6, -0.021), (0.05, 4.0, -0.025)])
def test_gamma_left_in_is_wrong_and_a_table_mends_it(
    edge_light: Render, f: float, sigma: float, wrong_by: float
) -> None:
    encoded = sixteen_bit(edge_light(100, 100, 5.0, sigma) ** (1.0 / 2.2))
    truth = closed_form(f, 5.0, sigma)
    plain = edge_modulation(encoded, "v", f)
    mended = edge_modulation(encoded, "v", f, table=linear_table(2.2, 65535))
    assert plain.modulation - truth == pytest.approx(wrong_by, abs=0.35 * abs(wrong_by))
    assert mended.modulation == pytest.approx(truth, abs=1e-4)


def test_one_window_for_a_whole_sweep(edge_light: Render) -> None:
    window = 5.0 * 4.0 + 6.0  # wide enough for the blurriest
    for sigma in (0.7, 2.0, 4.0):
        edge = edge_modulation(sixteen_bit(edge_light(80, 120, 5.0, sigma)), "v", 0.1, window)
        assert edge.window_px == window
        assert edge.modulation == pytest.approx(closed_form(0.1, 5.0, sigma), abs=1e-4)
