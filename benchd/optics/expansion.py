"""Thermal expansion of rings and rods. The reference temperature of lengths is 20 C (ISO 1)."""

from __future__ import annotations

import math

REFERENCE_C = 20.0


def expansion_um(length_um: float, alpha_per_K: float, delta_K: float) -> float:
    """Growth in um of a length for a change of temperature: alpha L dT."""
    return length_um * alpha_per_K * delta_K


def expansion_u_um(
    length_um: float, alpha_per_K: float, u_alpha_per_K: float, delta_K: float, u_delta_K: float
) -> float:
    """Standard uncertainty in um of that growth, for independent errors of alpha and of the temperature.

    Exact for a product of two independent quantities: the second-order term, which is all there is at the
    reference temperature, is kept (JCGM 100, 5.1.2 note).
    """
    return abs(length_um) * math.sqrt(
        (delta_K * u_alpha_per_K) ** 2 + (alpha_per_K * u_delta_K) ** 2 + (u_alpha_per_K * u_delta_K) ** 2
    )
