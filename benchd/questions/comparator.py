"""Lengths by a contact gauge on a bridge: the common part of their budgets.

The gauge is used as a comparator: only the difference of two nearby readings is used, so its zero and the length of its
probe cancel, and its gain enters by that difference alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchd.assessments.finding import Finding
from benchd.assessments.lines import as_budget, as_value, shares_of
from benchd.metrology.budget import HYSTERESIS_SHAPE, Term, combine, standard_u
from benchd.metrology.outlying import FAR_OFF, far_off
from benchd.metrology.repeats import repeats
from benchd.optics.expansion import U_ALPHA_REL, coefficient_u_um

LEFT_BY_ONE_SIDE = 0.25
"""Share of a gauge's hysteresis by which it may differ between two places of its range (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Comparator:
    """Stated errors of the gauge and of the carriage scale (um, 1, 1/K); `alpha_scale` is None if not stated.

    `subdivision_um` is an encoder's. By steps it is 0, and `at_a_place` are the lines of the local position errors.
    `u_seat_um` is the stated uncertainty of seating again, to tell a mistake from scatter; it is in no budget.
    `u_abbe_um` is the Abbe error of the scale between two positions, by tipping of the carriage.
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
        """Second gauge reading minus the first."""
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
    """The identification of a finding."""

    run: str
    setup: int
    at: str
    version: str
    indices: tuple[int, int]
    temperature_source: str = "set-up"


def let_down(gauge: Comparator, by_hand: Sequence[Pair]) -> Comparator:
    """The gauge with what is left of its hysteresis where its tip was let down onto both faces.

    `by_hand`: first as the hand let it down, second as the carriage came back under it. What it reads otherwise then,
    by more than its carriage did, is left, and so is what hysteresis differs by between two places of the range.
    """
    apart = [pair.difference_um - (pair.second_carriage_um - pair.first_carriage_um) for pair in by_hand]
    left = max(abs(float(np.mean(apart))), LEFT_BY_ONE_SIDE * gauge.hysteresis_um)
    return replace(gauge, hysteresis_um=min(left, gauge.hysteresis_um))


def notes_of(values: Sequence[float], gauge: Comparator) -> list[str]:
    """A note for each pair of readings that is an outlier."""
    return [
        f"Pair of readings {index + 1} of {len(values)} is {FAR_OFF}, {off:+.1f} µm from the median: something was "
        "not set down as asked. Measure again.".replace("-", "\u2212")
        for index, off in far_off(values, max(gauge.u_seat_um, gauge.resolution_um))
    ]


def remounts(values: Sequence[float], source: str) -> Term:
    """The scatter of the values from one remounting to the next."""
    found = repeats(values)
    return Term("remounts", found.u, "A", float(found.dof), source)


def comparator_terms(gauge: Comparator, differences: Sequence[float], ends: float) -> list[Term]:
    """Gain over the mean difference, hysteresis between the two readings, resolution, and an encoder's subdivision.

    A tip is lowered onto each face from one side or the other, and a person does it the same way every time: each
    reading is off by half of the hysteresis, and repeats do not show it.
    `ends` is the root of the number of carriage readings that enter (1, or the square root of 2).
    """
    hysteresis = gauge.hysteresis_um / math.sqrt(2.0)
    resolution = standard_u(gauge.resolution_um, "triangular")  # half a step of each of two readings
    subdivision = standard_u(gauge.subdivision_um, "arcsine") * ends
    return [
        Term("gauge gain", gauge.u_gain * abs(float(np.mean(differences))), "B", None, "gauge"),
        Term("gauge hysteresis", hysteresis, "B", None, "gauge", HYSTERESIS_SHAPE),
        Term("gauge resolution", resolution, "B", None, "gauge", "triangular"),
        Term("subdivision", subdivision, "B", None, "position scale", "arcsine"),
    ]


def thermal_terms(
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


def length_finding(
    assessment: str,
    artefact: str,
    value: float,
    carriage_um: float,
    terms: Sequence[Term],
    about: About,
    notes: Sequence[str],
) -> Finding:
    """The finding of a length (um at 20 C), which calibrates the artefact if accepted; `carriage_um` is the carriage
    position at which it was measured."""
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
            "budgets": {"length": as_budget([term for term in terms if term.u > 0.0])},
            "verdict": None,
            "advice": None,
            "calibrates": [
                {
                    "artefact": artefact,
                    "value": "length",
                    "carriage_um": carriage_um,
                    "shares": shares_of({term.term: term.u for term in terms}),
                }
            ],
            "notes": list(notes),
            "readings": {"run": about.run, "indices": list(about.indices)},
            "calibrations": [],
        }
    )
