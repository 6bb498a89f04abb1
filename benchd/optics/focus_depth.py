"""How deep focus is: the half-width of a through-focus curve, the quarter-wave and the geometric depth.

All depths are half-widths in um: focus holds from minus to plus the value.
"""

from __future__ import annotations

HALF_WIDTH_FACTOR = 0.705085
"""Defocus times nu/N at which the MTF of a uniform blur disc, 2 J1(pi b nu)/(pi b nu), has fallen to one half."""


def half_width_um(f_number: float, lp_mm: float) -> float:
    """Geometric half-width at half height of the modulation through focus, 0.705 N/nu, in um.

    The first guess that sizes a sweep; the measured one is larger where diffraction has a say.
    """
    _positive(f_number=f_number, lp_mm=lp_mm)
    return 1000.0 * HALF_WIDTH_FACTOR * f_number / lp_mm


def quarter_wave_depth_um(f_number: float, wavelength_nm: float) -> float:
    """Rayleigh's quarter-wave depth of focus, 2 lambda N^2, in um (Born & Wolf 8.8)."""
    _positive(f_number=f_number, wavelength_nm=wavelength_nm)
    return 2e-3 * wavelength_nm * f_number**2


def geometric_depth_um(f_number: float, circle_um: float) -> float:
    """Depth at which the blur disc of a point reaches a circle of confusion c: N c, in um."""
    _positive(f_number=f_number, circle_um=circle_um)
    return f_number * circle_um


def defocus_from_wavefront_um(f_number: float, w020_waves: float, wavelength_nm: float) -> float:
    """Axial distance in um of a defocus of w020 waves at the pupil's edge, 8 N^2 W020 (Goodman 6.4)."""
    _positive(f_number=f_number, wavelength_nm=wavelength_nm)
    return 8e-3 * f_number**2 * w020_waves * wavelength_nm


def wavefront_from_defocus_waves(f_number: float, defocus_um: float, wavelength_nm: float) -> float:
    """The inverse: waves of defocus at the pupil's edge for an axial distance in um."""
    _positive(f_number=f_number, wavelength_nm=wavelength_nm)
    return defocus_um / (8e-3 * f_number**2 * wavelength_nm)


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not value > 0.0:
            raise ValueError(f"{name} must be above zero, not {value}")
