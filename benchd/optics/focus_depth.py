"""Depth of focus: the half-width of a through-focus curve, and defocus as a wavefront."""

from __future__ import annotations

HALF_WIDTH_FACTOR = 0.705085
"""Defocus times nu/N at which the MTF of a uniform blur disc, 2 J1(pi b nu)/(pi b nu), has fallen to one half."""


def half_width_um(f_number: float, lp_mm: float) -> float:
    """Geometric half-width at half height of the modulation through focus, 0.705 N/nu, in um.

    The first estimate that sizes a sweep; the measured width is larger if diffraction matters.
    """
    _positive(f_number=f_number, lp_mm=lp_mm)
    return 1000.0 * HALF_WIDTH_FACTOR * f_number / lp_mm


def wavefront_from_defocus_waves(f_number: float, defocus_um: float, wavelength_nm: float) -> float:
    """Waves of defocus W020 at the pupil's edge for an axial distance z = 8 N^2 W020 in um (Goodman 6.4)."""
    _positive(f_number=f_number, wavelength_nm=wavelength_nm)
    return defocus_um / (8e-3 * f_number**2 * wavelength_nm)


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not value > 0.0:
            raise ValueError(f"{name} must be above zero, not {value}")
