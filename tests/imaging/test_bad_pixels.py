"""Hot and dead pixels, and a black that stands at zero: no reason to refuse a picture; a burnt ground is one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchd.imaging.edge import edge_modulation
from benchd.imaging.refusals import EdgeRefused
from benchd.imaging.square import find_square, measure_square

Floats = NDArray[np.float64]
Render = Callable[..., Floats]
Expose = Callable[..., NDArray[Any]]

FULL = 4095


def response(f: float, tilt_deg: float, sigma: float) -> float:
    tilt = np.radians(tilt_deg)
    return float(np.exp(-2.0 * (np.pi * sigma * f) ** 2) * np.sinc(f * np.cos(tilt)) * np.sinc(f * np.sin(tilt)))


@pytest.mark.parametrize("value", [0, FULL, 1200])
def test_a_single_bad_pixel_is_put_right_and_counted(edge_light: Render, expose: Expose, value: int) -> None:
    """One hot or dead pixel refused the picture as clipped; one that hangs between would have moved the answer."""
    light = edge_light(80, 100, 5.0, 1.2, low=0.02, high=0.7)
    rng = np.random.default_rng(1)
    for column in (30, 46, 58, 80) if value else (58, 80):
        picture = expose(light, rng, 20000.0, 12)
        clean = edge_modulation(picture, "v", 0.1, full_scale=FULL)
        picture[40, column] = value
        found = edge_modulation(picture, "v", 0.1, full_scale=FULL)
        assert found.specks == 1
        assert abs(found.modulation - clean.modulation) < 0.5 * clean.u
        assert found.u == pytest.approx(clean.u, rel=0.02)


def test_clean_pictures_have_no_specks(edge_light: Render, expose: Expose) -> None:
    """Noise is no speck, and neither is an edge as sharp as pixels allow."""
    rng = np.random.default_rng(2)
    for full_well in (1000.0, 20000.0):
        for sigma in (0.3, 2.0):
            picture = expose(edge_light(80, 100, 7.0, sigma, low=0.02, high=0.7), rng, full_well, 12)
            assert edge_modulation(picture, "v", 0.1, full_scale=FULL).specks == 0


def test_bad_pixels_all_over_a_square(square_light: Render, expose: Expose) -> None:
    """A sensor with one bad pixel in a thousand, half of them hot and half dead."""
    light = square_light((360, 400), 200.0, 5.0, (201.3, 178.8), 1.2, low=0.02, high=0.7)
    rng = np.random.default_rng(4)
    errors, stated = [], []
    for _ in range(12):
        picture = expose(light, rng, 20000.0, 12)
        rows, columns = rng.integers(0, 360, 72) // 5 * 5, rng.integers(0, 400, 72) // 5 * 5
        picture[rows, columns] = rng.choice([0, FULL], 72)
        found = measure_square(picture, find_square(picture), 0.16, 55.0, full_scale=FULL)
        errors.append(found.modulation - response(0.16, 5.0, 1.2))
        stated.append(found.u)
        assert sum(edge.specks for edge in found.edges) > 5
    assert abs(float(np.mean(errors))) < 0.0025
    assert float(np.std(errors, ddof=1)) < 2.0 * float(np.mean(stated))


def test_a_black_at_zero_is_measured(edge_light: Render, expose: Expose) -> None:
    """Eight bits without a pedestal: 108 of 108 such pictures were refused as clipped."""
    light = edge_light(100, 120, 5.0, 1.5, low=0.0, high=0.7)
    found = [edge_modulation(expose(light, np.random.default_rng(s), 20000.0, 8), "v", 0.1) for s in range(30)]
    errors = np.array([edge.modulation - response(0.1, 5.0, 1.5) for edge in found])
    assert abs(float(errors.mean())) < 4.0 * float(errors.std(ddof=1)) / 30**0.5 + 2e-4
    assert float(np.mean(np.abs(errors) < 1.96 * np.array([edge.u for edge in found]))) > 0.8


def test_a_burnt_ground_stays_refused(edge_light: Render, expose: Expose) -> None:
    """Also where only the noise's tail reaches full scale: what is cut off there is light, not a bad pixel."""
    for high in (0.97, 1.05):
        picture = expose(edge_light(80, 100, 5.0, 1.2, low=0.02, high=high), np.random.default_rng(5), 2000.0, 12)
        with pytest.raises(EdgeRefused) as refused:
            edge_modulation(picture, "v", 0.1, full_scale=FULL)
        assert refused.value.code == "clipped"
