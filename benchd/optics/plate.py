"""The plane-parallel plate in a converging beam: how far it moves the image, and what it does to a fast cone.

A plate moves the image away from the lens. The datum chain is paraxial, as cameras are set; the exact value
for the edge of a cone and the spherical aberration that goes with it are given beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Plate:
    """One layer of glass: thickness in mm, index against air at the wavelength of the light used."""

    thickness_mm: float
    index: float


def _checked(thickness_mm: float, index: float) -> None:
    if not (thickness_mm >= 0.0 and index >= 1.0):
        raise ValueError(f"a plate needs thickness >= 0 and index >= 1, not {thickness_mm} mm and {index}")


def _sine(f_number: float) -> float:
    """Sine of the half-angle of the cone, 1/(2N) in air for a lens that obeys the sine condition."""
    if not f_number >= 0.5:
        raise ValueError(f"no lens in air has an f-number of {f_number}")
    return 0.5 / f_number


def paraxial_shift_um(thickness_mm: float, index: float) -> float:
    """Shift of the paraxial image, t (1 - 1/n), in um (any optics text, plane-parallel plates)."""
    _checked(thickness_mm, index)
    return 1000.0 * thickness_mm * (1.0 - 1.0 / index)


def marginal_shift_um(thickness_mm: float, index: float, f_number: float) -> float:
    """Shift of the ray at the edge of an f-number's cone, t (1 - cos a / sqrt(n^2 - sin^2 a)), in um; exact."""
    _checked(thickness_mm, index)
    sine2 = _sine(f_number) ** 2
    return 1000.0 * thickness_mm * (1.0 - math.sqrt((1.0 - sine2) / (index * index - sine2)))


def paraxial_u_um(thickness_mm: float, u_thickness_mm: float, index: float, u_index: float) -> float:
    """Standard uncertainty in um of the paraxial shift from those of thickness and index, taken as independent."""
    by_thickness = 1000.0 * (1.0 - 1.0 / index) * u_thickness_mm
    by_index = 1000.0 * thickness_mm / (index * index) * u_index
    return math.hypot(by_thickness, by_index)


def longitudinal_aberration_um(plates: Iterable[Plate], f_number: float) -> float:
    """Marginal less paraxial shift of a stack, in um: layers add, as the angle in air between them is the same."""
    return sum(
        marginal_shift_um(plate.thickness_mm, plate.index, f_number)
        - paraxial_shift_um(plate.thickness_mm, plate.index)
        for plate in plates
    )


def longitudinal_u_um(
    thickness_mm: float, u_thickness_mm: float, index: float, u_index: float, f_number: float
) -> float:
    """Standard uncertainty in um of one layer's longitudinal aberration, by differences over one u each way."""

    def aberration(t: float, n: float) -> float:
        return longitudinal_aberration_um([Plate(t, n)], f_number)

    by_thickness = aberration(thickness_mm, index) * u_thickness_mm / thickness_mm
    step = min(u_index, 0.5 * (index - 1.0))
    by_index = 0.0
    if step > 0.0:
        slope = (aberration(thickness_mm, index + step) - aberration(thickness_mm, index - step)) / (2.0 * step)
        by_index = slope * u_index
    return math.hypot(by_thickness, by_index)


def residual_um(fitted: Iterable[Plate], designed: Iterable[Plate], f_number: float) -> float:
    """How far best focus lies beyond the paraxial chain, in um, for a lens used with a plate it was not designed for.

    Half the longitudinal aberration is where the Strehl ratio is highest for third-order spherical aberration
    (Welford, Aberrations of Optical Systems); the plate fitted counts against the one the lens was designed for.
    It is reported with a finding and never included in the focus error: the peak of a given merit differs by some um
    with its frequency.
    """
    return 0.5 * (longitudinal_aberration_um(fitted, f_number) - longitudinal_aberration_um(designed, f_number))
