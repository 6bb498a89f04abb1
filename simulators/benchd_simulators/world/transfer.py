"""The transfer function of a round pupil with a wavefront, in two independent ways.

x is frequency over cut-off, x = nu lambda N; wavefronts are in waves at the edge of the pupil: W20 rho^2 and the even
terms of rho^4, rho^6, rho^8. `by_fourier` gives all frequencies of one focus (pictures), `through_focus` one frequency
at many foci (merit curves). Both are real because the wavefront is even; negative values are phase reversals.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
STEP_RAD = 0.2  # of a wave between entries of a grid that six of them are read from: to 3e-7


def even_wavefront(rho2: Floats, even: Sequence[float]) -> Floats:
    """Sum of even[k] rho^(4 + 2 k) for rho squared."""
    total = np.zeros_like(rho2)
    for coefficient in reversed(even):
        total = total * rho2 + coefficient
    return total * rho2 * rho2


@lru_cache(maxsize=32)
def _nodes(n: int) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights on 0..1."""
    x, w = np.polynomial.legendre.leggauss(n)
    return (x + 1) / 2, w / 2


@lru_cache(maxsize=16)
def _pupil_rows(samples: int, rows: int) -> tuple[Floats, Floats, Floats]:
    """Half a pupil in rows across: rho^2 and coverage of each sample (rows x samples), weight of each row.

    Rows lie at y = sin phi, phi by Gauss-Legendre, so that the round end of the chord is smooth in phi; samples at the
    chord's ends count for the part that lies inside.
    """
    node, weight = _nodes(rows)
    y = np.sin(node * pi / 2)
    chord = np.cos(node * pi / 2)
    step = 2 / samples
    x = (np.arange(samples) + 0.5) * step - 1
    coverage = np.clip((chord[:, None] - np.abs(x)[None, :]) / step + 0.5, 0.0, 1.0)
    return x[None, :] ** 2 + y[:, None] ** 2, coverage, weight * pi / 2 * chord


def by_fourier(even: Sequence[float], w20: float, samples: int = 256, rows: int = 64) -> tuple[Floats, Floats]:
    """Frequencies x = 0, 1/samples .. 1 and the transfer function there.

    Each row of the complex pupil is padded to twice its length and transformed; the sum of the squared moduli is the
    line image's spectrum, whose inverse transform is the autocorrelation of the pupil along the row direction.
    """
    rho2, coverage, weight = _pupil_rows(samples, rows)
    pupil = coverage * np.exp(2j * pi * (w20 * rho2 + even_wavefront(rho2, even)))
    spectrum = np.fft.fft(pupil, n=2 * samples, axis=1)
    power = weight @ (spectrum.real**2 + spectrum.imag**2)
    otf = np.fft.ifft(power).real[: samples + 1] / (weight @ coverage.sum(axis=1))
    otf[0] = 1.0  # a half-covered sample times itself counts a quarter; at any other shift the products are right
    return np.arange(samples + 1) / samples, otf


def between(value: Floats, place: Floats) -> Floats:
    """A table read between its entries: the polynomial through the six nearest, by Lagrange's formula.

    `place` counts entries from 0. Nearer to the truth than a cubic spline, and without the half second that a package
    of splines takes to load, which is most of a simulator's start.
    """
    first = np.clip(np.floor(place).astype(int) - 2, 0, len(value) - 6)
    t = place - first
    total = np.zeros_like(place)
    for node in range(6):
        share = value[first + node]
        for other in range(6):
            if other != node:
                share = share * (t - other) / (node - other)
        total += share
    return total


def enough_samples(even: Sequence[float], w20: float) -> int:
    """Samples across the pupil that resolve the wavefront and the ripples of the transfer function."""
    waves = abs(w20) + 2 * sum(abs(term) for term in even)
    for samples, most in ((256, 3.5), (512, 8.0), (1024, 16.0)):
        if waves <= most:
            return samples
    return 2048


def through_focus(x: float, even: Sequence[float], w20: Floats) -> Floats:
    """The transfer function at one frequency x for an array of W20: integral of the sheared pupil.

    With the pupil sheared by +-x the defocus phase is 8 pi W20 x xi, whatever y: the y integral is done once and
    serves every focus. xi = (1 - x) sin phi, Gauss-Legendre in phi and y.
    """
    if x >= 1:
        return np.zeros_like(w20)
    if x <= 0:
        return np.ones_like(w20)
    most = float(np.max(np.abs(w20), initial=0.0)) + 2 * sum(abs(term) for term in even)
    xi, real, imaginary = _columns(x, tuple(even), min(48 + 8 * int(most * x * 1.5 + 0.5), 640))
    turn = 8 * pi * x * np.multiply.outer(w20, xi)
    answer: Floats = 4 / pi * (np.cos(turn) @ real - np.sin(turn) @ imaginary)
    return answer


def sum_through_focus(x: Floats, share: Floats, even: Sequence[float], w20: Floats) -> Floats:
    """Sum over frequencies `x` (k,), of `share` (k,) each, of `through_focus`.

    Focus enters by its product with x xi alone. So the columns of all frequencies are laid on one grid of that, each
    spread over the six entries about it as Lagrange's polynomial weighs them, and waves are reckoned on that grid only.
    """
    below = (x > 0) & (x < 1)
    x, share = x[below], share[below]
    most = float(np.max(np.abs(w20), initial=0.0))
    turns = (most * float(np.max(x * (1 - x), initial=0.0)) + 2 * sum(abs(term) for term in even)) * 1.5
    xi, real, imaginary = _columns_at(x[:, None], even, min(48 + 8 * int(turns + 0.5), 640), 12)
    entries = 7 + int(2 * pi * most / STEP_RAD)  # x xi is a quarter at most, and the phase 8 pi W20 x xi
    place = (x[:, None] * xi * 4 * (entries - 1)).ravel()
    first = np.clip(np.floor(place).astype(int) - 2, 0, entries - 6)
    cosine, sine = np.zeros(entries), np.zeros(entries)
    for node in range(6):
        by = np.ones_like(place)
        for other in range(6):
            if other != node:
                by = by * (place - first - other) / (node - other)
        cosine += np.bincount(first + node, by * (share[:, None] * real).ravel(), entries)
        sine += np.bincount(first + node, by * (share[:, None] * imaginary).ravel(), entries)
    turn = 2 * pi * np.multiply.outer(w20, np.linspace(0.0, 1.0, entries))
    answer: Floats = 4 / pi * (np.cos(turn) @ cosine - np.sin(turn) @ sine)
    return answer


@lru_cache(maxsize=64)  # a bench reads one lens at one frequency, place after place
def _columns(x: float, even: tuple[float, ...], nodes: int) -> tuple[Floats, Floats, Floats]:
    return _columns_at(np.asarray(x), even, nodes, 24)


def _columns_at(x: Floats, even: Sequence[float], nodes: int, rows: int) -> tuple[Floats, Floats, Floats]:
    """Where the sheared pupil is cut, and the integral over y there, with its weight: real and imaginary part."""
    node, weight = _nodes(nodes)
    xi, d_xi = (1 - x) * np.sin(node * pi / 2), weight * (1 - x) * np.cos(node * pi / 2) * pi / 2
    y_node, y_weight = _nodes(rows)
    y_top = np.sqrt(1 - (xi + x) ** 2)
    y2 = (y_top[..., None] * y_node) ** 2
    after, before = ((xi + sign * x)[..., None] ** 2 + y2 for sign in (1, -1))
    phase = 2 * pi * (even_wavefront(after, even) - even_wavefront(before, even))
    by = y_top * d_xi
    return xi, np.cos(phase) @ y_weight * by, np.sin(phase) @ y_weight * by


def blur_disc(radius_waves: float, x: Floats) -> Floats:
    """Geometric transfer function of |W20| waves of defocus, for pictures too blurred to be sampled as waves."""
    from scipy.special import j1

    z = np.maximum(8 * pi * abs(radius_waves) * x, 1e-12)  # blur disc of diameter 8 W N lambda: pi b nu = 8 pi W x
    answer: Floats = 2 * j1(z) / z
    return answer


def conjugate_m(focal_um: float, distance_um: float, gap_um: float) -> float:
    """Magnification m, target over wall, solving distance = f (1 + m)^2 / m + gap for the smaller m."""
    half = (distance_um - gap_um) / focal_um / 2 - 1
    if half <= 1:
        raise ValueError("the wall is nearer than four focal lengths")
    return 1 / (half + sqrt(half**2 - 1))
