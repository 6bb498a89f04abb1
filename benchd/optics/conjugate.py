"""The conjugate term: how far behind its infinity focus a lens forms the image of a near wall.

With the ring at infinity and a wall at a distance T from the target, best focus lies deeper by x' = f m, where
T = f (1 + m)^2 / m + h; m is the magnification from wall to target taken positive, h the gap between the principal
planes. Three routes lead to x', with different appetites for the inputs; the one with the least uncertainty wins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Route = Literal["m", "distance", "m and distance"]


@dataclass(frozen=True, slots=True)
class Conjugate:
    """x' in um with its standard uncertainty, the contribution of each input (um, without sign), and the route."""

    x_um: float
    u_um: float
    contributions: dict[str, float]
    route: Route
    m: float


def _conjugate(x_mm: float, contributions_mm: dict[str, float], route: Route, m: float) -> Conjugate:
    contributions = {name: 1000.0 * abs(part) for name, part in contributions_mm.items()}
    return Conjugate(1000.0 * x_mm, math.hypot(*contributions.values()), contributions, route, m)


def magnification(focal_length_mm: float, distance_mm: float, gap_mm: float = 0.0) -> float:
    """m of a wall at `distance_mm` from the target: the root below one of T - h = f (1 + m)^2 / m.

    Raises ValueError when the distance is under 4 f, where no image forms.
    """
    if not focal_length_mm > 0.0:
        raise ValueError(f"focal length must be above zero, not {focal_length_mm} mm")
    b = (distance_mm - gap_mm) / focal_length_mm - 2.0
    if not b >= 2.0:
        raise ValueError(f"a wall at {distance_mm} mm is too near for a focal length of {focal_length_mm} mm")
    return 2.0 / (b + math.sqrt(b * b - 4.0))


def magnification_with_u(
    distance_mm: float,
    u_distance_mm: float,
    focal_length_mm: float,
    u_focal_length_mm: float,
    gap_mm: float = 0.0,
    u_gap_mm: float = 0.0,
) -> tuple[float, float]:
    """m from T, f and h, and its u; independent of a measured m, so that the two can be compared.

    dm/df = m (1 + m)/(f (1 - m)) and dm/dT = -dm/dh = -m^2/(f (1 - m^2)), by differentiating T - h = f (1 + m)^2 / m.
    """
    m = magnification(focal_length_mm, distance_mm, gap_mm)
    if not m < 1.0:
        raise ValueError("at unit magnification the distance says nothing about the magnification")
    by_focal_length = m * (1.0 + m) / (focal_length_mm * (1.0 - m)) * u_focal_length_mm
    by_distance = m * m / (focal_length_mm * (1.0 - m * m)) * math.hypot(u_distance_mm, u_gap_mm)
    return m, math.hypot(by_focal_length, by_distance)


def conjugate_from_m(focal_length_mm: float, u_focal_length_mm: float, m: float, u_m: float) -> Conjugate:
    """x' = f m: needs no distance, and has the full relative error of the focal length."""
    return _conjugate(focal_length_mm * m, {"focal_length": m * u_focal_length_mm, "m": focal_length_mm * u_m}, "m", m)


def conjugate_from_distance(
    distance_mm: float,
    u_distance_mm: float,
    focal_length_mm: float,
    u_focal_length_mm: float,
    gap_mm: float = 0.0,
    u_gap_mm: float = 0.0,
) -> Conjugate:
    """x' from T, f and h: needs no mark on the wall; twice as sensitive to f as the route by m.

    dx'/dT = -dx'/dh = -m^2/(1 - m^2) and dx'/df = 2m/(1 - m), by differentiating T - h = f (1 + m)^2 / m.
    """
    m = magnification(focal_length_mm, distance_mm, gap_mm)
    if not m < 1.0:
        raise ValueError("at unit magnification the distance says nothing about the image")
    by_distance = m * m / (1.0 - m * m)
    return _conjugate(
        focal_length_mm * m,
        {
            "distance": by_distance * u_distance_mm,
            "gap": by_distance * u_gap_mm,
            "focal_length": 2.0 * m / (1.0 - m) * u_focal_length_mm,
        },
        "distance",
        m,
    )


def conjugate_from_both(
    distance_mm: float, u_distance_mm: float, m: float, u_m: float, gap_mm: float = 0.0, u_gap_mm: float = 0.0
) -> Conjugate:
    """x' = (T - h) m^2 / (1 + m)^2 from distance and magnification together: the focal length drops out."""
    reach = distance_mm - gap_mm
    by_distance = (m / (1.0 + m)) ** 2
    return _conjugate(
        reach * by_distance,
        {
            "distance": by_distance * u_distance_mm,
            "gap": by_distance * u_gap_mm,
            "m": 2.0 * reach * m / (1.0 + m) ** 3 * u_m,
        },
        "m and distance",
        m,
    )


def best_conjugate(
    *,
    focal_length_mm: float,
    u_focal_length_mm: float,
    distance_mm: float | None = None,
    u_distance_mm: float = 0.0,
    gap_mm: float = 0.0,
    u_gap_mm: float = 0.0,
    m: float | None = None,
    u_m: float = 0.0,
) -> Conjugate:
    """The route with the least uncertainty among those that the known inputs allow.

    The choice rests on the stated uncertainties alone, never on the values, so choosing does not bias the result.
    Raises ValueError when neither a distance nor a magnification is known.
    """
    routes: list[Conjugate] = []
    if m is not None:
        routes.append(conjugate_from_m(focal_length_mm, u_focal_length_mm, m, u_m))
    if distance_mm is not None:
        routes.append(
            conjugate_from_distance(distance_mm, u_distance_mm, focal_length_mm, u_focal_length_mm, gap_mm, u_gap_mm)
        )
        if m is not None:
            routes.append(conjugate_from_both(distance_mm, u_distance_mm, m, u_m, gap_mm, u_gap_mm))
    if not routes:
        raise ValueError("the conjugate term needs the distance to the wall, the magnification, or both")
    return min(routes, key=lambda route: route.u_um)
