"""How far beyond its paraxial shift a plate moves best focus: the peak of the modulation, by diffraction.

A plate adds third-order spherical aberration W040 = (n^2 - 1) t sin^4(a) / (8 n^3) (Welford, Aberrations of Optical
Systems, plane plate). Where the modulation at a frequency then peaks lies between half of the margin's excess, where
the Strehl ratio is highest, and two thirds of it, where rays come together closest; it also depends on what the lens
adds of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from benchd.optics.diffraction import defocus_mtf, ideal_hwhm_um
from benchd.optics.focus_depth import half_width_um
from benchd.optics.plate import Plate, longitudinal_aberration_um

OWN_WAVES = 1.0
"""A lens worth checking has no more third-order spherical aberration than this at its open stop, either way,
rectangular (common practice, no source)."""

F_NUMBER_REL = 0.06
"""A stop as engraved and set by hand is true to a sixth of a stop, rectangular (common practice, no source)."""

_ROUNDS = 4
_REACH = 0.5
"""Half-widths each way over which a polynomial follows the peak."""


def third_order_waves(plates: Sequence[Plate], f_number: float, wavelength_nm: float) -> float:
    """W040 of a stack at the edge of the cone, in waves."""
    sine4 = (0.5 / f_number) ** 4
    um = sum(1000.0 * p.thickness_mm * (p.index**2 - 1.0) / (8.0 * p.index**3) * sine4 for p in plates)
    return 1000.0 * um / wavelength_nm


def peak_um(w040_waves: float, f_number: float, lp_mm: float, wavelength_nm: float) -> float:
    """Where the modulation of a lens with this aberration peaks, um beyond its paraxial focus.

    Raises ValueError above the cut-off.
    """
    if w040_waves < 0.0:
        return -peak_um(-w040_waves, f_number, lp_mm, wavelength_nm)
    width = max(ideal_hwhm_um(f_number, lp_mm, wavelength_nm), half_width_um(f_number, lp_mm))
    margin = 16e-3 * f_number**2 * w040_waves * wavelength_nm  # where the edge of the pupil focuses
    wide = np.linspace(-0.1 * width, margin + 0.1 * width, 101)
    peak = float(wide[np.argmax(defocus_mtf(lp_mm, f_number, wavelength_nm, wide, w040_waves=w040_waves))])
    x = np.linspace(-1.0, 1.0, 25)
    for _ in range(_ROUNDS):
        z_um = peak + _REACH * width * x
        value = defocus_mtf(lp_mm, f_number, wavelength_nm, z_um, w040_waves=w040_waves)
        slope = np.polynomial.Polynomial.fit(x, value, 8).deriv()
        roots = slope.roots()
        real = roots[(np.abs(roots.imag) < 1e-9) & (np.abs(roots.real) <= 1.0)].real
        if not real.size:
            break
        peak += _REACH * width * float(real[np.argmin(np.abs(real))])
    return peak


def beyond_paraxial_um(
    plates: Sequence[Plate], f_number: float, lp_mm: float, wavelength_nm: float, *, own_waves: float = 0.0
) -> float:
    """How far beyond the paraxial shift best focus goes as the plates come in, in um.

    `own_waves` is what the lens has left of W040 with them, 0 for one that was made for them. What the exact ray at the
    margin is off beyond the third order is taken in proportion.
    """
    waves = third_order_waves(plates, f_number, wavelength_nm)
    if waves == 0.0:
        return 0.0
    bare, behind = (peak_um(own_waves - w, f_number, lp_mm, wavelength_nm) for w in (waves, 0.0))
    exact = longitudinal_aberration_um(plates, f_number) / (16e-3 * f_number**2 * waves * wavelength_nm)
    return (behind - bare) * exact


def beyond_paraxial_u_um(
    plates: Sequence[Plate],
    f_number: float,
    lp_mm: float,
    wavelength_nm: float,
    *,
    open_f_number: float,
    u_f_number_rel: float = F_NUMBER_REL / math.sqrt(3.0),
) -> tuple[float, float]:
    """Standard uncertainties of `beyond_paraxial_um` by the lens's own aberration, and by its f-number, in um.

    The first at OWN_WAVES either way at `open_f_number`, of which a smaller stop leaves the fourth power of the ratio;
    the second as a share of the value, which goes with the square of the f-number.
    """
    own = OWN_WAVES * min(1.0, open_f_number / f_number) ** 4
    here, *others = (
        beyond_paraxial_um(plates, f_number, lp_mm, wavelength_nm, own_waves=one) for one in (0.0, own, -own)
    )
    by_own = max(abs(other - here) for other in others)
    return by_own / math.sqrt(3.0), abs(here) * 2.0 * u_f_number_rel
