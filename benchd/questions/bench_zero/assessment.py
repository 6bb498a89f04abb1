"""The base's depth from a setting ring and a gauge on its bridge: pure numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchd.assessments.finding import Finding
from benchd.metrology.budget import Term
from benchd.optics.expansion import expansion_um
from benchd.questions.comparator import (
    About,
    Comparator,
    Known,
    Pair,
    Thermal,
    comparator_terms,
    length_finding,
    notes_of,
    remounts,
    thermal_terms,
)


def bench_zero(
    pairs: Sequence[Pair],
    ring: Known,
    base: Known,
    artefact: str,
    gauge: Comparator,
    thermal: Thermal,
    about: About,
    cover: Known | None = None,
    assessment: str = "bench_zero",
    adapters: Sequence[Known] = (),
) -> Finding:
    """Base face to target plane at carriage reading 0 and 20 C, from a setting ring and a gauge on its bridge.

    With `adapters` on the base it is from the seat of the uppermost: they give what they grow by.

    `pairs`: first on the ring, second on the base face. The target lies `ring + second - first` below the base
    face; `cover` is the depth from the face of the plates over the target, on which the tip rests, to the target.
    `base` gives the expansion coefficient; its length is only used for that correction.
    """
    dt = thermal.above_20_K
    alpha_scale = gauge.alpha_scale or 0.0
    cover_um = cover.length_um if cover else 0.0
    ring_dt = thermal.temperature_C - ring.at_C
    ring_now = ring.length_um + expansion_um(ring.length_um, ring.alpha_per_K or 0.0, ring_dt)
    depths = [
        ring_now + pair.difference_um + cover_um - pair.second_carriage_um * (1.0 + alpha_scale * dt) for pair in pairs
    ]
    rods = [(rod.alpha_per_K or 0.0, rod.length_um, dt) for rod in (base, *adapters)]
    value = float(np.mean(depths)) - sum(expansion_um(length, alpha, kelvin) for alpha, length, kelvin in rods)
    carriage = float(np.mean([pair.second_carriage_um for pair in pairs]))
    ring_slope = (ring.alpha_per_K or 0.0) * ring.length_um
    slope = ring_slope - sum(alpha * length for alpha, length, _ in rods) - alpha_scale * carriage
    corrected = [((ring.alpha_per_K or 0.0), ring.length_um, ring_dt), *rods, (alpha_scale, carriage, dt)]
    terms = [
        remounts(depths, about.run),
        Term("setting ring", ring.u_um, "B", ring.dof, ring.source),
        *([Term("target cover", cover.u_um, "B", None, cover.source)] if cover else []),
        *comparator_terms(gauge, [pair.difference_um for pair in pairs], 1.0),
        *gauge.at_a_place,
        *thermal_terms(slope, corrected, thermal, about.temperature_source),
    ]
    return length_finding(assessment, artefact, value, carriage, terms, about, notes_of(depths, gauge))
