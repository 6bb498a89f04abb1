"""Transfer function of a clear circular pupil: in focus, defocused, with spherical aberration.

Frequencies are line pairs per mm in the image, defocus is in um along the axis, aberrations in waves at the
pupil's edge. A pupil symmetric about the axis has a real transfer function; it is returned with its sign, so
that a reversal of contrast shows. The modulation is its magnitude.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchd.optics.focus_depth import half_width_um, wavefront_from_defocus_waves

FloatArray = NDArray[np.float64]


def cutoff_lp_mm(f_number: float, wavelength_nm: float) -> float:
    """The frequency beyond which nothing passes, 1/(lambda N), in lp/mm (Goodman 6.3)."""
    return 1e6 / (wavelength_nm * f_number)


def diffraction_mtf(lp_mm: ArrayLike, f_number: float, wavelength_nm: float) -> FloatArray:
    """MTF of a perfect lens in focus, (2/pi)(acos x - x sqrt(1 - x^2)), x = nu lambda N (Goodman 6.3)."""
    x = np.clip(np.abs(np.asarray(lp_mm, dtype=np.float64)) / cutoff_lp_mm(f_number, wavelength_nm), 0.0, 1.0)
    return np.asarray(2.0 / np.pi * (np.arccos(x) - x * np.sqrt(1.0 - x * x)), dtype=np.float64)


def defocus_mtf(
    lp_mm: float,
    f_number: float,
    wavelength_nm: float,
    defocus_um: ArrayLike,
    *,
    w040_waves: float = 0.0,
    nodes: int = 64,
) -> FloatArray:
    """Transfer function at one frequency for an array of defocus (Hopkins 1955), shape of `defocus_um`.

    The autocorrelation of the pupil as an integral over the overlap of two sheared circles, by Gauss-Legendre in
    both directions: with the shear 2x the phase is 2 pi [4 W020 x p + 8 W040 x p (p^2 + q^2 + x^2)], and only its
    cosine survives the symmetry. Defocus goes with p alone, so that what q adds is summed once for all of it. 64 nodes
    hold 1e-6 to about five waves. Defocus is positive for a plane deeper than the paraxial focus; with W040 > 0, the
    sign of a plate, best focus lies on the positive side.
    """
    z = np.asarray(defocus_um, dtype=np.float64)
    x = abs(lp_mm) / cutoff_lp_mm(f_number, wavelength_nm)
    if x >= 1.0:
        return np.zeros_like(z)
    node, weight = _gauss_legendre(nodes)
    # p = (1 - x) sin t takes the square-root end of the chord out of the outer integral.
    p = (1.0 - x) * np.sin(0.5 * np.pi * node)
    d_p = 0.5 * np.pi * weight * (1.0 - x) * np.cos(0.5 * np.pi * node)
    chord = np.sqrt(1.0 - (p + x) ** 2)
    q = chord[:, None] * node
    cubic = 16.0 * np.pi * w040_waves * x * p[:, None] * (p[:, None] ** 2 + q * q + x * x)
    column = (np.exp(1j * cubic) @ weight) * chord * d_p
    # Moving the plane deeper subtracts the reference sphere's curvature: W020 = -z/(8 N^2).
    w020 = -z.ravel() * wavefront_from_defocus_waves(f_number, 1.0, wavelength_nm)
    linear = 8.0 * np.pi * x * np.multiply.outer(w020, p)
    values = 4.0 / np.pi * (np.cos(linear) @ column.real - np.sin(linear) @ column.imag)
    return np.asarray(values, dtype=np.float64).reshape(z.shape)


@lru_cache(maxsize=8)  # numpy looks for them by eigenvalues each time
def _gauss_legendre(nodes: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights on 0 to 1."""
    x, w = np.polynomial.legendre.leggauss(nodes)
    return 0.5 * (x + 1.0), 0.5 * w


@lru_cache(maxsize=64)  # some thirty quadratures; every fit of a sweep asks for the same one
def ideal_hwhm_um(f_number: float, lp_mm: float, wavelength_nm: float) -> float:
    """Half-width at half height of a perfect lens's modulation through focus, in um; the geometric one is less.

    Raises ValueError above the cut-off, where there is no curve.
    """
    if lp_mm >= cutoff_lp_mm(f_number, wavelength_nm):
        raise ValueError(f"{lp_mm} lp/mm is beyond the cut-off of f/{f_number}")
    low, high = 0.0, half_width_um(f_number, lp_mm)
    half = 0.5 * float(diffraction_mtf(lp_mm, f_number, wavelength_nm))

    def above(z: float) -> bool:
        return float(defocus_mtf(lp_mm, f_number, wavelength_nm, [z], nodes=32)[0]) > half

    while above(high):
        low, high = high, 1.5 * high
    while high - low > 1e-8 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if above(middle) else (low, middle)
    return 0.5 * (low + high)


def f_number_of_hwhm(hwhm_um: float, lp_mm: float, wavelength_nm: float) -> float:
    """The f-number of the perfect lens whose modulation through focus is that wide: `ideal_hwhm_um` turned round.

    Raises ValueError where it would be at the cut-off or beyond.
    """
    f_number = hwhm_um / half_width_um(1.0, lp_mm)  # by rays the width goes with the f-number; diffraction adds to it
    for _ in range(40):
        by = hwhm_um / ideal_hwhm_um(f_number, lp_mm, wavelength_nm)
        f_number *= by
        if abs(by - 1.0) < 1e-5:
            return f_number
    raise ValueError(f"a half-width of {hwhm_um} um at {lp_mm} lp/mm is too near to the cut-off to tell the f-number")
