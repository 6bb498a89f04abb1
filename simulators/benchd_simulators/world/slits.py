"""Light that passes a slit on which a lens images another: what a photodiode behind it gets, 1 for a perfect image.

Near focus the integral, over all frequencies that the lens passes, of its transfer function and those of both slits;
far from it, where the blur is many times as wide as diffraction spreads it, the share of a uniform disc that falls
through, by rays.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchd_simulators.world.lens import Optic

Floats = NDArray[np.float64]

NEAR_SLITS = 9.0
"""Blur discs up to so many slits wide are reckoned as waves."""
LOBES = 24
"""Of the wider slit's transfer, as far as the lens passes them; what lies beyond is four thousandths."""
FIRST_NODES, NODES = 28, 8
"""In the first two lobes, which a wide blur turns over often, and in the others, of which it leaves nothing."""
FOCUSES = 221
CHORDS = 400


def light(optic: Optic, depth_um: float, source_um: float, slit_um: float) -> float:
    """The share of the light of a slit imaged without blur that passes at this depth."""
    blur_um = abs(float(optic.defocus_um(np.asarray(depth_um), 0.0))) / optic.f_number
    if blur_um > 0.97 * NEAR_SLITS * max(source_um, slit_um):
        return by_rays(blur_um, source_um, slit_um)
    depths, passed = _near(optic, source_um, slit_um)
    at = int(np.clip(np.searchsorted(depths, depth_um) - 2, 0, depths.size - 4))
    return _cubic(depths[at : at + 4], passed[at : at + 4], depth_um)


def peak_um(optic: Optic, source_um: float, slit_um: float) -> float:
    """The depth at which most light passes."""
    depths, passed = _near(optic, source_um, slit_um)
    at = int(np.clip(int(np.argmax(passed)), 2, depths.size - 3))
    low, high = float(depths[at - 2]), float(depths[at + 2])
    for _ in range(3):
        fine = np.linspace(low, high, 41)
        at = int(np.clip(int(np.argmax(passes(optic, fine, source_um, slit_um))), 2, 38))
        low, high = float(fine[at - 2]), float(fine[at + 2])
    return 0.5 * (low + high)


def passes(optic: Optic, depth_um: Floats, source_um: float, slit_um: float) -> Floats:
    """The same for an array of depths, by waves."""
    wide_mm = max(source_um, slit_um) / 1000.0
    most = min(LOBES / wide_mm, 1e6 / (min(optic.nm) * optic.f_number))
    edges = np.append(np.arange(0.0, most, 1.0 / wide_mm), most)
    nodes = [np.polynomial.legendre.leggauss(count) for count in (FIRST_NODES, NODES)]
    lp_mm, share = [], []
    for lobe, (low, high) in enumerate(pairwise(edges)):
        x, w = nodes[0 if lobe < 2 else 1]
        lp_mm.append(0.5 * (low + high) + 0.5 * (high - low) * x)
        share.append(0.5 * (high - low) * w)
    at = np.concatenate(lp_mm)
    both = np.sinc(at * source_um / 1000.0) * np.sinc(at * slit_um / 1000.0)
    # Without blur both slits' transfer integrates to half of one over the wider.
    return 2.0 * wide_mm * optic.sum_through_focus(at, np.concatenate(share) * both, depth_um)


@lru_cache(maxsize=16)
def _near(optic: Optic, source_um: float, slit_um: float) -> tuple[Floats, Floats]:
    """Depths about focus, closer together there, where the curve is nearly a cusp; and the light."""
    sharp = optic.sharp_um()
    # Where light passes the lens twice, a step of the source counts twice.
    by = float(optic.defocus_um(np.asarray(sharp + 1.0), 0.0) - optic.defocus_um(np.asarray(sharp), 0.0))
    reach = NEAR_SLITS * max(source_um, slit_um) * optic.f_number / abs(by)
    share = np.linspace(-1.0, 1.0, FOCUSES)
    depths = sharp + reach * share * (0.2 + 0.8 * np.abs(share))
    return depths, passes(optic, depths, source_um, slit_um)


def by_rays(blur_um: float, source_um: float, slit_um: float) -> float:
    """Of a uniform disc: its density along each chord, times how much of two slits so far apart overlaps."""
    radius, narrow = 0.5 * blur_um, min(source_um, slit_um)
    x = (np.arange(CHORDS) + 0.5) / CHORDS * 0.5 * (source_um + slit_um)
    chord = 2.0 / (np.pi * radius**2) * np.sqrt(np.maximum(radius**2 - x**2, 0.0))
    overlap = np.clip(0.5 * (source_um + slit_um) - x, 0.0, narrow) / narrow
    return float(2.0 * np.sum(chord * overlap) * (x[1] - x[0]))


def _cubic(x: Floats, y: Floats, at: float) -> float:
    """Lagrange's polynomial through four entries."""
    total = 0.0
    for i in range(4):
        others = [j for j in range(4) if j != i]
        total += float(y[i]) * float(np.prod([(at - x[j]) / (x[i] - x[j]) for j in others]))
    return total
