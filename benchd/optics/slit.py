"""Light through a slit behind the image of a slit: the curve through focus of a photodiode, from the transfer function.

The image of a slit of width w falls on another as wide; what passes is the integral over frequency of the lens's
transfer function times those of both slits, sinc(w nu) each. In units of its own the curve has two parameters beside
focus: `a` = lambda N / w, which says how much diffraction counts, and the spherical aberration. Focus is counted in
geometric half-widths of the slit, 2.38 N w, and frequency t in 1/w, so that defocus turns the phase of a point of the
sheared pupil by pi 2.38 t p whatever the f-number.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchd.optics.focus_depth import HALF_WIDTH_FACTOR

FloatArray = NDArray[np.float64]

SLIT_FACTOR = 2.3837486903587033
"""Defocus over N w at which half the light of a uniform blur disc's slit image passes the slit: the disc is then as
wide as this many slits (root of the integral of chord times overlap)."""

LAST_LOBE = 16
"""Lobes of the slits' transfer that are integrated. Between two and eight the top of the curve, which is nearly a cusp,
still changes; what lies beyond is 1.3 % of the light at any focus near the peak."""

LOBE_NODES = 10
"""Gauss-Legendre nodes in a lobe."""


def lp_mm_of_slit(slit_um: float) -> float:
    """The frequency whose modulation through focus has, by rays, the half-width of this slit's curve (lp/mm)."""
    return 1000.0 * HALF_WIDTH_FACTOR / (SLIT_FACTOR * slit_um)


def slit_um_of(lp_mm: float) -> float:
    """The slit (um) of `lp_mm_of_slit`."""
    return 1000.0 * HALF_WIDTH_FACTOR / (SLIT_FACTOR * lp_mm)


def diffraction_over_slit(f_number: float, slit_um: float, wavelength_nm: float) -> float:
    """`a` = lambda N / w: the slit's own frequency 1/w as a share of the cut-off."""
    return wavelength_nm * f_number / (1000.0 * slit_um)


class SlitTable(NamedTuple):
    """Light passed, 1 without blur, over focus `u` (geometric half-widths) and spherical aberration `w040` (waves)."""

    u: FloatArray
    w040: FloatArray
    light: FloatArray


def slit_light(a: float, u: ArrayLike, w040: ArrayLike = 0.0, *, ratio: float = 1.0) -> FloatArray:
    """Light passed at each focus of `u` (n,) for each aberration of `w040` (m,): shape (n, m), 1 without blur.

    `ratio` is how many times as wide the second slit is. `u` is positive for a plane deeper than the paraxial focus;
    with `w040` above zero the peak lies on that side, as in `benchd.optics.diffraction.defocus_mtf`. Frequencies above
    the cut-off, 1/a, pass nothing.
    """
    z, w = np.atleast_1d(np.asarray(u, dtype=np.float64)), np.atleast_1d(np.asarray(w040, dtype=np.float64))
    total = np.zeros((z.size, w.size))
    for t, weight in zip(*_frequencies(), strict=True):
        if a * t < 1.0:
            total += float(weight * np.sinc(t) * np.sinc(ratio * t)) * _transfer(a * t, t, z, w)
    # Without blur the slits' transfer integrates to half of one over the wider.
    return np.asarray(2.0 * max(1.0, ratio) * total, dtype=np.float64)


@lru_cache(maxsize=8)
def slit_table(a: float, reach: float, w040_reach: float, *, ratio: float = 1.0) -> SlitTable:
    """`slit_light` on a grid, |u| <= `reach` and |w040| <= `w040_reach`, fine enough for cubic splines."""
    half, w = np.linspace(0.0, reach, 1 + math.ceil(reach / 0.06)), np.linspace(-w040_reach, w040_reach, 17)
    deeper = slit_light(a, half, w, ratio=ratio)
    # Focus and aberration both turned round give the same light.
    both = np.concatenate([deeper[:0:-1, ::-1], deeper])
    return SlitTable(np.concatenate([-half[:0:-1], half]), w, both)


@lru_cache(maxsize=1)
def _frequencies() -> tuple[FloatArray, FloatArray]:
    """Nodes and weights over the lobes of a slit's transfer, in 1/w."""
    abscissa, weight = np.polynomial.legendre.leggauss(LOBE_NODES)
    lobe = np.arange(LAST_LOBE)[:, None]
    return (lobe + 0.5 * (abscissa + 1.0)).ravel(), np.tile(0.5 * weight, LAST_LOBE)


def _transfer(x: float, t: float, u: FloatArray, w040: FloatArray) -> FloatArray:
    """The transfer function at x = nu lambda N (Hopkins 1955), as `defocus_mtf`, for all focuses and aberrations."""
    along, d_along = np.polynomial.legendre.leggauss(12 + math.ceil(5.0 * t))
    across, d_across = np.polynomial.legendre.leggauss(16)
    angle = 0.25 * np.pi * (across + 1.0)
    q = np.sqrt(1.0 - x * x) * np.sin(angle)
    reach = np.sqrt(1.0 - q * q) - x
    p = (reach[:, None] * 0.5 * (along[None, :] + 1.0)).ravel()
    rows = 0.25 * np.pi * d_across * np.sqrt(1.0 - x * x) * np.cos(angle) * 0.5 * reach
    area = (4.0 / np.pi * rows[:, None] * d_along[None, :]).ravel()
    radius2 = p * p + np.repeat(q * q, along.size) + x * x
    spherical = 16.0 * np.pi * x * (p * radius2)[:, None] * w040[None, :]
    defocus = np.pi * SLIT_FACTOR * t * u[:, None] * p[None, :]
    return np.asarray(
        np.cos(defocus) @ (area[:, None] * np.cos(spherical)) + np.sin(defocus) @ (area[:, None] * np.sin(spherical)),
        dtype=np.float64,
    )
