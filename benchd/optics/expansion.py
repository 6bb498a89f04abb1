"""Thermal expansion of rings and rods. The reference temperature of lengths is 20 C (ISO 1)."""

from __future__ import annotations

import math

REFERENCE_C = 20.0
U_ALPHA_REL = 0.05
"""Handbook values of expansion differ by that much between makers and tempers (common practice, no source)."""


def expansion_um(length_um: float, alpha_per_K: float, delta_K: float) -> float:
    """Growth in um of a length for a change of temperature: alpha L dT."""
    return length_um * alpha_per_K * delta_K


def coefficient_u_um(length_um: float, u_alpha_per_K: float, delta_K: float, u_delta_K: float) -> float:
    """Contribution of the uncertainty of alpha to the standard uncertainty in um of a length's growth over `delta_K`.

    Its product with the temperature's uncertainty, the only term at the reference temperature, is included (JCGM 100,
    5.1.2 note).
    """
    return abs(length_um * u_alpha_per_K) * math.hypot(delta_K, u_delta_K)
