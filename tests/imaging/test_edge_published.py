"""The edge's response against closed forms of optics, on pictures rendered by other means."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from benchd.imaging.edge import edge_modulation
from benchd.imaging.edge_line import fit_edge_line
from benchd.imaging.rise import SAMPLES_PER_PX, crossing, profile_of, rise

pytestmark = pytest.mark.published

Floats = NDArray[np.float64]
Render = Callable[..., Floats]

# Gaussian blur seen through a pixel, exp(-2 pi^2 s^2 f^2) sinc f: Fourier transform pairs, evaluated in closed form
BLURRED = {
    1.0: {0.1: 0.807432, 0.2: 0.424750, 0.25: 0.262184, 0.3: 0.145261, 0.5: 0.004578},
    0.5: {0.1: 0.936270, 0.2: 0.767914, 0.25: 0.661375, 0.3: 0.550557, 0.5: 0.185392},
}
HALF = {1.0: 0.179964, 0.5: 0.323088, 1.5: 0.122665}


def sixteen_bit(light: Floats) -> NDArray[np.uint16]:
    return np.rint(65535 * light).astype(np.uint16)


def frequency_at(picture: NDArray[np.uint16], level: float, aperture: bool = True) -> float:
    low, high = 0.005, 0.6
    for _ in range(30):
        f = 0.5 * (low + high)
        response = edge_modulation(picture, "v", f).modulation / (1.0 if aperture else np.sinc(f))
        low, high = (f, high) if response > level else (low, f)
    return 0.5 * (low + high)


@pytest.mark.parametrize("sigma", BLURRED)
def test_gaussian_blur_through_a_pixel(edge_light: Render, sigma: float) -> None:
    # the published values stand for an upright edge; at 2 degrees the aperture differs by less than 1e-4
    picture = sixteen_bit(edge_light(100, 100, 2.0, sigma, 0.3))
    for f, expected in BLURRED[sigma].items():
        assert edge_modulation(picture, "v", f).modulation == pytest.approx(expected, abs=1.5e-4)


@pytest.mark.parametrize("sigma", HALF)
def test_frequency_of_half_response(edge_light: Render, sigma: float) -> None:
    picture = sixteen_bit(edge_light(100, 100, 2.0, sigma, 0.1))
    assert frequency_at(picture, 0.5) == pytest.approx(HALF[sigma], abs=1e-4)


def test_the_same_blur_made_by_an_image_filter() -> None:
    """A second route: a binary edge at 16 x supersampling, blurred by scipy.ndimage, summed over pixels."""
    n, rows, columns = 16, 60, 48
    y = (np.arange(rows * n)[:, None] + 0.5) / n - 0.5 * rows
    x = (np.arange(columns * n)[None, :] + 0.5) / n - 0.5 * columns
    step = (x - np.tan(np.radians(4.0)) * y > 0.2).astype(np.float64)
    fine = gaussian_filter(step, (0.0, 1.0 * n / np.cos(np.radians(4.0))), mode="nearest", truncate=6.0)
    picture = sixteen_bit(0.2 + 0.6 * fine.reshape(rows, n, columns, n).mean(axis=(1, 3)))
    for f, expected in BLURRED[1.0].items():
        if f < 0.4:
            # the sum over 16 samples a pixel is not the integral: sinc f off by (pi f / 16)^2 / 6 at most
            assert edge_modulation(picture, "v", f).modulation == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(("f", "expected"), [(0.25, 0.900316), (0.5, 0.636620)])
def test_a_sharp_edge_shows_the_pixel_alone(f: float, expected: float) -> None:
    """sinc f, the aperture of a square pixel: textbook."""
    rows, columns, parts = 100, 60, 400
    tilt = np.tan(np.radians(2.0))
    y = (np.arange(rows * parts) + 0.5) / parts - 0.5 * rows
    edge = (0.5 * columns + 0.13 + tilt * y).reshape(rows, 1, parts)
    covered = np.clip(np.arange(columns)[None, :, None] + 1.0 - edge, 0.0, 1.0).mean(axis=2)
    measured = edge_modulation(sixteen_bit(0.2 + 0.6 * covered), "v", f).modulation
    assert measured == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(("share", "sigmas"), [(0.1, 2.563103), (0.2, 1.683242)])
def test_rise_of_a_gaussian(share: float, sigmas: float) -> None:
    """Normal distribution: 10-90 % and 20-80 % of an edge's rise, in standard deviations."""
    sigma = 5000.0  # samples, so that straight lines between them err by less than the last digit
    assert rise(ndtr(np.arange(-40000, 40001) / sigma), share) / sigma == pytest.approx(sigmas, abs=5e-7)


def test_width_of_a_gaussian_line_spread() -> None:
    """Normal distribution: full width at half maximum 2.354820 sigma, of the differences along an edge's profile."""
    sigma = 5000.0
    spread = np.diff(ndtr((np.arange(-40000, 40002) - 0.5) / sigma))
    top = int(np.argmax(spread))
    width = sum(crossing(flank / spread[top], 0.5) for flank in (spread[top:], spread[top::-1]))
    assert width / sigma == pytest.approx(2.354820, abs=5e-7)


def test_rise_and_half_response_of_one_picture(edge_light: Render) -> None:
    """MTF50 is .187391 / sigma, and times the 10-90 % rise .480301: normal distribution."""
    sigma = 2.5
    picture = sixteen_bit(edge_light(400, 160, 5.0, sigma))
    line = fit_edge_line(picture)
    profile = profile_of(picture, line.at_rows(), 30.0, line.cos)
    # Pixels and the quarters of them that the profile is laid on widen it: variance of a box, 1/12 of its square.
    seen = (sigma**2 + (1.0 + 1.0 / SAMPLES_PER_PX**2) / 12.0) ** 0.5
    for share, sigmas in ((0.1, 2.563103), (0.2, 1.683242)):
        measured = rise(profile, share) * line.cos / SAMPLES_PER_PX
        # Straight lines between quarter pixels: 2 h^2 / 8 times f'' / f' = 1.28 / sigma at the most, .008 px.
        assert measured == pytest.approx(sigmas * seen, abs=0.01)
    half = frequency_at(picture, 0.5, aperture=False)
    assert half == pytest.approx(0.187391 / sigma, rel=1e-3)
    assert half * rise(profile) * line.cos / SAMPLES_PER_PX * sigma / seen == pytest.approx(0.480301, rel=2e-3)


@pytest.mark.parametrize(("f", "factor"), [(0.1, 1.004124), (0.25, 1.026172), (0.5, 1.110721)])
def test_the_binned_method_with_its_correction_says_the_same(edge_light: Render, f: float, factor: float) -> None:
    """ISO 12233's derivative correction of a central difference over two bins of a quarter pixel (clause from memory).

    Bins of the edge's closed form, differenced and transformed without any of our code, times that factor: what the
    row differences of a picture give, a whole pixel apart, with a correction of their own (1.57 at .5 cycles/px).
    """
    sigma, bin_px = 0.5, 0.25
    at = np.arange(-40.0, 40.25, bin_px)

    def spread(x: Floats) -> Floats:  # the integral of ndtr, so that a difference over a pixel is its mean there
        return np.asarray(x * ndtr(x / sigma) + sigma * np.exp(-0.5 * (x / sigma) ** 2) / np.sqrt(2.0 * np.pi))

    edge = spread(at + 0.5) - spread(at - 0.5)
    differences = edge[2:] - edge[:-2]
    binned = abs(np.sum(differences * np.exp(-2j * np.pi * f * at[1:-1]))) / np.sum(differences)
    measured = edge_modulation(sixteen_bit(edge_light(100, 100, 2.0, sigma, 0.3)), "v", f).modulation
    assert measured == pytest.approx(factor * binned, abs=1.5e-4)
