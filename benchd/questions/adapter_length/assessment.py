"""An adapter's length from readings on the base face and on its upper seat: pure numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchd.assessments.finding import Finding
from benchd.metrology.budget import Term
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


def adapter_length(
    pairs: Sequence[Pair],
    adapter: Known,
    artefact: str,
    gauge: Comparator,
    thermal: Thermal,
    about: About,
) -> Finding:
    """Length of an adapter at 20 C: the gauge's bridge on the base face (first), then on the adapter's upper seat.

    The carriage moves by about the adapter's length between the two, so its scale enters over that travel.
    """
    dt = thermal.above_20_K
    alpha_scale = gauge.alpha_scale or 0.0
    alpha = adapter.alpha_per_K or 0.0
    travels = [pair.first_carriage_um - pair.second_carriage_um for pair in pairs]
    lengths_now = [
        pair.difference_um + travel * (1.0 + alpha_scale * dt) for pair, travel in zip(pairs, travels, strict=True)
    ]
    value = float(np.mean(lengths_now)) / (1.0 + alpha * dt)
    travel = float(np.mean(travels))
    terms = [
        remounts(lengths_now, about.run),
        *comparator_terms(gauge, [pair.difference_um for pair in pairs], math.sqrt(2.0)),
        *_at_both_places(gauge.at_a_place),
        Term("scale", gauge.u_scale * abs(travel), "B", None, "position scale"),
        Term("abbe", gauge.u_abbe_um, "B", None, "bench file", "triangular"),
        *thermal_terms(
            alpha_scale * travel - alpha * value,
            [(alpha, value, dt), (alpha_scale, travel, dt)],
            thermal,
            about.temperature_source,
        ),
    ]
    carriage = float(np.mean([p.second_carriage_um for p in pairs]))
    return length_finding("adapter_length", artefact, value, carriage, terms, about, notes_of(lengths_now, gauge))


def _at_both_places(at_a_place: Sequence[Term]) -> list[Term]:
    """The local position errors with the bridge on the base and on the adapter, as separate lines.

    These errors are functions of position: every remounting has the same, so repeats do not average them. Their phases
    an adapter's length apart are not known, so the two positions are independent. For an adapter of whole turns of the
    screw the periodic errors would cancel, with half a turn more they would add.
    """
    return [replace(line, term=f"{line.term}, {place}") for place in ("on base", "on adapter") for line in at_a_place]
