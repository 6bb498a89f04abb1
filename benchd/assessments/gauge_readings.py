"""Lengths by a contact gauge on a bridge: the base's depth from a setting ring, an adapter's from the base.

The gauge is used as a comparator: what counts is the difference of two of its readings near one another, so its
zero and the length of its probe drop out and its gain enters by that difference alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchd.assessments.finding import Finding
from benchd.assessments.lines import as_budget, as_value
from benchd.metrology.budget import Term, combine, standard_u
from benchd.metrology.outlying import FAR_OFF, far_off
from benchd.metrology.repeats import repeats
from benchd.optics.expansion import U_ALPHA_REL, coefficient_u_um, expansion_um


@dataclass(frozen=True, slots=True)
class Comparator:
    """What is stated of the gauge and of the carriage scale (um, 1, 1/K); `alpha_scale` is None where not given.

    `subdivision_um` is an encoder's. By steps it is 0, and `at_a_place` are the lines of what one place of the carriage
    may be wrong by on its own. `u_seat_um` is what setting down anew is stated to be worth, for telling a mistake from
    it; in no budget. `u_abbe_um` is what the scale may tell wrongly between two places, as the carriage tips.
    """

    resolution_um: float
    hysteresis_um: float
    u_gain: float
    u_scale: float
    subdivision_um: float
    alpha_scale: float | None
    at_a_place: Sequence[Term] = ()
    u_seat_um: float = 0.0
    u_abbe_um: float = 0.0


@dataclass(frozen=True, slots=True)
class Thermal:
    """Temperature during the measurement and how well it is known (C, K)."""

    temperature_C: float
    u_K: float

    @property
    def above_20_K(self) -> float:
        """Kelvin above the reference temperature of ISO 1."""
        return self.temperature_C - 20.0


@dataclass(frozen=True, slots=True)
class Pair:
    """One remounting: gauge reading and carriage reading at the first and at the second place (um)."""

    first_um: float
    first_carriage_um: float
    second_um: float
    second_carriage_um: float

    @property
    def difference_um(self) -> float:
        """Second gauge reading less the first."""
        return self.second_um - self.first_um


@dataclass(frozen=True, slots=True)
class Known:
    """A length with its standard uncertainty (um) at `at_C`, and its expansion coefficient (1/K)."""

    length_um: float
    u_um: float
    alpha_per_K: float | None
    source: str
    at_C: float = 20.0
    dof: float | None = None


@dataclass(frozen=True, slots=True)
class About:
    """What a finding says of itself."""

    run: str
    setup: int
    at: str
    version: str
    indices: tuple[int, int]
    temperature_source: str = "set-up"


def bench_zero(
    pairs: Sequence[Pair],
    ring: Known,
    base: Known,
    artefact: str,
    gauge: Comparator,
    thermal: Thermal,
    about: About,
    cover: Known | None = None,
) -> Finding:
    """Base face to target plane at carriage reading 0 and 20 C, from a setting ring and a gauge on its bridge.

    `pairs`: first on the ring, second on the base face. The target lies `ring + second - first` below the base
    face; `cover` reaches from the face of the plates over the target, on which the tip rests, to the target. `base`
    gives the expansion coefficient; its length is used for nothing else than that correction.
    """
    dt = thermal.above_20_K
    alpha_scale = gauge.alpha_scale or 0.0
    cover_um = cover.length_um if cover else 0.0
    ring_dt = thermal.temperature_C - ring.at_C
    ring_now = ring.length_um + expansion_um(ring.length_um, ring.alpha_per_K or 0.0, ring_dt)
    depths = [
        ring_now + pair.difference_um + cover_um - pair.second_carriage_um * (1.0 + alpha_scale * dt) for pair in pairs
    ]
    base_growth = expansion_um(base.length_um, base.alpha_per_K or 0.0, dt)
    value = float(np.mean(depths)) - base_growth
    carriage = float(np.mean([pair.second_carriage_um for pair in pairs]))
    slope = (
        (ring.alpha_per_K or 0.0) * ring.length_um - (base.alpha_per_K or 0.0) * base.length_um - alpha_scale * carriage
    )
    corrected = [
        ((ring.alpha_per_K or 0.0), ring.length_um, ring_dt),
        ((base.alpha_per_K or 0.0), base.length_um, dt),
        (alpha_scale, carriage, dt),
    ]
    terms = [
        _repeats("remounts", depths, about.run),
        Term("setting ring", ring.u_um, "B", ring.dof, ring.source),
        *([Term("target cover", cover.u_um, "B", None, cover.source)] if cover else []),
        *_comparator_terms(gauge, [pair.difference_um for pair in pairs], 1.0),
        *gauge.at_a_place,
        *_thermal_terms(slope, corrected, thermal, about.temperature_source),
    ]
    return _length_finding("bench_zero", artefact, value, carriage, terms, about, _far_off(depths, gauge))


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
        _repeats("remounts", lengths_now, about.run),
        *_comparator_terms(gauge, [pair.difference_um for pair in pairs], math.sqrt(2.0)),
        *_at_both_places(gauge.at_a_place),
        Term("scale", gauge.u_scale * abs(travel), "B", None, "position scale"),
        Term("abbe", gauge.u_abbe_um, "B", None, "bench file", "triangular"),
        *_thermal_terms(
            alpha_scale * travel - alpha * value,
            [(alpha, value, dt), (alpha_scale, travel, dt)],
            thermal,
            about.temperature_source,
        ),
    ]
    carriage = float(np.mean([p.second_carriage_um for p in pairs]))
    return _length_finding("adapter_length", artefact, value, carriage, terms, about, _far_off(lengths_now, gauge))


def _far_off(values: Sequence[float], gauge: Comparator) -> list[str]:
    """A note for each pair of readings that can hardly be of the same length as the others."""
    return [
        f"Pair of readings {index + 1} of {len(values)} is {FAR_OFF}, {off:+.1f} µm from the median: something was "
        "not set down as asked. Measure again.".replace("-", "\u2212")
        for index, off in far_off(values, max(gauge.u_seat_um, gauge.resolution_um))
    ]


def _repeats(name: str, values: Sequence[float], source: str) -> Term:
    found = repeats(values)
    return Term(name, found.u, "A", float(found.dof), source)


def _comparator_terms(gauge: Comparator, differences: Sequence[float], ends: float) -> list[Term]:
    """Gain over the mean difference, hysteresis between the two readings, resolution, and an encoder's subdivision.

    A tip that is let down comes to each place from one side or the other, and a hand does it the same way every time:
    each reading is half of the hysteresis off, and no repeating shows it.
    `ends` counts how many carriage readings enter (1, or the square root of 2 for a difference of two).
    """
    hysteresis = standard_u(gauge.hysteresis_um, "arcsine")
    resolution = standard_u(gauge.resolution_um, "triangular")  # half a step of each of two readings
    subdivision = standard_u(gauge.subdivision_um, "arcsine") * ends
    return [
        Term("gauge gain", gauge.u_gain * abs(float(np.mean(differences))), "B", None, "gauge"),
        Term("gauge hysteresis", hysteresis, "B", None, "gauge", "arcsine"),
        Term("gauge resolution", resolution, "B", None, "gauge", "triangular"),
        Term("subdivision", subdivision, "B", None, "position scale", "arcsine"),
    ]


def _at_both_places(at_a_place: Sequence[Term]) -> list[Term]:
    """The position's own lines with the bridge on the base and on the adapter, each with a name and a shape of its own.

    These errors are functions of place: every remounting meets the same, so many do not make them smaller. An adapter's
    length apart their phases are nobody's to know, so the two places are independent. An adapter of whole turns of the
    screw would see its periodic errors cancel, one of a half more would see them add.
    """
    return [replace(line, term=f"{line.term}, {place}") for place in ("on base", "on adapter") for line in at_a_place]


def _thermal_terms(
    slope_um_per_K: float, corrected: Sequence[tuple[float, float, float]], thermal: Thermal, source: str
) -> list[Term]:
    """Temperature enters every length at once, so its derivatives add with sign; coefficients are independent.

    `corrected` are coefficient, length, and the kelvin from the temperature at which that length holds.
    """
    coefficients = math.hypot(
        *(coefficient_u_um(length, U_ALPHA_REL * alpha, kelvin, thermal.u_K) for alpha, length, kelvin in corrected)
    )
    return [
        Term("temperature", abs(slope_um_per_K) * thermal.u_K, "B", None, source),
        Term("expansion", coefficients, "B", None, "handbook coefficients"),
    ]


def _length_finding(
    assessment: str,
    artefact: str,
    value: float,
    carriage_um: float,
    terms: Sequence[Term],
    about: About,
    notes: Sequence[str],
) -> Finding:
    expanded = combine(terms)
    return Finding.model_validate(
        {
            "finding": "",
            "assessment": assessment,
            "run": about.run,
            "setup": about.setup,
            "lens": None,
            "job": None,
            "at": about.at,
            "version": about.version,
            "measurand": {"arrangement": "gauge", "artefact": artefact, "reference_C": 20.0},
            "absolute": True,
            "values": {
                "length": as_value(value, expanded, "um"),
                "carriage": {"value": carriage_um, "unit": "um", "u": None, "dof": None, "k": None, "U": None},
            },
            "budget": as_budget([term for term in terms if term.u > 0.0]),
            "verdict": None,
            "advice": None,
            "notes": list(notes),
            "readings": {"run": about.run, "indices": list(about.indices)},
            "calibrations": [],
        }
    )
