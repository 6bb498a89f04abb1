"""Pictures with a known answer, by routes the imaging room does not use."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

Floats = NDArray[np.float64]
Render = Callable[..., Floats]


def gaussian_edge(
    rows: int,
    columns: int,
    tilt_deg: float,
    sigma_px: float,
    shift_px: float = 0.0,
    *,
    low: float = 0.15,
    high: float = 0.85,
    sag_px: float = 0.0,
) -> Floats:
    """A Gaussian edge, dark left, integrated over each pixel by an 8-point Gauss-Legendre rule both ways.

    The closed form of its response along the normal is exp(-2 pi^2 s^2 f^2) sinc(f cos t) sinc(f sin t).
    """
    nodes, weights = leggauss(8)
    y = (np.arange(rows)[:, None] + 0.5 * nodes).ravel() - 0.5 * (rows - 1)
    x = (np.arange(columns)[:, None] + 0.5 * nodes).ravel() - 0.5 * (columns - 1) - shift_px
    tilt = np.radians(tilt_deg)
    edge = np.tan(tilt) * y + sag_px / np.cos(tilt) * (y / (0.5 * rows)) ** 2
    light = ndtr((x[None, :] - edge[:, None]) * np.cos(tilt) / sigma_px).reshape(rows, 8, columns, 8)
    mean: Floats = np.einsum("aibj,i,j->ab", light, 0.5 * weights, 0.5 * weights)
    return low + (high - low) * mean


def sensor(light: Floats, rng: np.random.Generator, full_well: float, bits: int) -> NDArray[Any]:
    """Shot noise, and rounding to `bits`; `light` is a share of full scale."""
    full = 2**bits - 1
    grey = np.rint(rng.poisson(light * full_well) / full_well * full)
    whole: NDArray[Any] = np.clip(grey, 0, full).astype(np.uint8 if bits <= 8 else np.uint16)
    return whole


def dark_square(
    shape: tuple[int, int],
    side_px: float,
    tilt_deg: float,
    centre: tuple[float, float],
    sigma_px: float,
    *,
    low: float = 0.1,
    high: float = 0.7,
    disc: bool = False,
) -> Floats:
    """A dark square (or disc) on a bright field: binary, supersampled, blurred there by scipy.ndimage."""
    n = 4 if sigma_px < 5.0 else 1
    y = (np.arange(shape[0] * n)[:, None] + 0.5) / n - 0.5 - centre[1]
    x = (np.arange(shape[1] * n)[None, :] + 0.5) / n - 0.5 - centre[0]
    tilt = np.radians(tilt_deg)
    u, v = x * np.cos(tilt) + y * np.sin(tilt), y * np.cos(tilt) - x * np.sin(tilt)
    inside = u * u + v * v < (0.5 * side_px) ** 2 if disc else np.maximum(np.abs(u), np.abs(v)) < 0.5 * side_px
    blurred = gaussian_filter(inside.astype(np.float32), sigma_px * n, mode="nearest", truncate=4.0)
    mask = blurred.reshape(shape[0], n, shape[1], n).mean(axis=(1, 3), dtype=np.float64)
    return np.asarray(high - (high - low) * mask, dtype=np.float64)


@pytest.fixture(scope="session")
def edge_light() -> Render:
    """`gaussian_edge`: share of full scale, rows x columns."""
    return gaussian_edge


@pytest.fixture(scope="session")
def expose() -> Callable[..., NDArray[Any]]:
    """`sensor`: a noisy picture from light."""
    return sensor


@pytest.fixture(scope="session")
def square_light() -> Render:
    """`dark_square`: share of full scale."""
    return dark_square
