"""The finding of an axis test: pure numbers, in the style of ISO 230-2, and what of them steps are worth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchd.assessments.finding import Finding
from benchd.assessments.lines import as_budget, as_value
from benchd.bench.datum.position_terms import BACKLASH, PERIODIC, PITCH
from benchd.errors import Refused
from benchd.metrology.axis_test import AxisTest, ScrewError, axis_test, screw_error
from benchd.metrology.budget import HYSTERESIS_SHAPE, Term, combine

if TYPE_CHECKING:
    from benchd.devices import GaugeSpec

Floats = NDArray[np.float64]

RUN_UP_UM = 100.0
"""How far the bench comes from its side to a place: what is lost on reversal has to be less."""
TOO_LOOSE = "more is lost on reversal than a run-up takes up"


@dataclass(frozen=True, slots=True)
class AxisInput:
    """The identification of the finding, the way of a turn, the gauge, and how well the screw's growth is known (1)."""

    head: dict[str, Any]
    indices: tuple[int, int]
    run: str
    period_um: float
    gauge: GaugeSpec
    u_growth: float
    temperature_source: str


def assess(places: Floats, below: Floats, above: Floats, given: AxisInput) -> Finding:
    """From places (um) and deviations there (um, runs x places), approached from below and from above.

    Raises Refused('not_found') where the places do not tell the screw's pitch from its error within a turn.
    """
    found = axis_test(below, above)
    try:
        screw = screw_error(places, found.means_up, found.means_down, given.period_um)
    except ValueError as wrong:
        text = f"The axis cannot be told by these places: {wrong}."
        raise Refused("not_found", text, advice="Run `axis_test` with more intervals, or another `step_um`.") from wrong
    lines = {
        "pitch": _pitch(screw, given),
        "periodic": _periodic(screw, given),
        "one_sided": _one_sided(found, below, given),
        "reversal": _reversal(found, below, given),
    }
    sizes = {"pitch": screw.pitch, "periodic": screw.amplitude, "one_sided": 0.0, "reversal": found.mean_reversal}
    units = dict.fromkeys(lines, "um") | {"pitch": "1"}
    values = {name: as_value(sizes[name], combine(terms), units[name]) for name, terms in lines.items()}
    plain = {
        "reversal_most": found.reversal,
        "repeatability": found.repeatability.both,
        "systematic": found.systematic.both,
        "mean_deviation": found.mean_deviation,
        "accuracy": found.accuracy.both,
    }
    nothing = dict.fromkeys(("u", "dof", "k", "U"))
    loose = abs(found.mean_reversal) > RUN_UP_UM
    artefacts = {PITCH: "pitch", PERIODIC: "periodic", BACKLASH: "one_sided"}
    return Finding.model_validate(
        {
            **given.head,
            "measurand": {"arrangement": "gauge", "artefact": "steps", "reference_C": 20.0},
            "absolute": not loose,
            "why_relative": [TOO_LOOSE] if loose else [],
            "values": values | {name: {"value": size, "unit": "um", **nothing} for name, size in plain.items()},
            "budgets": {name: as_budget([term for term in terms if term.u > 0.0]) for name, terms in lines.items()},
            "tables": {"places": _table(places, found)},
            "curves": {name: _curve(places, means) for name, means in _ways(found)},
            "verdict": None,
            "advice": None,
            "calibrates": [{"artefact": artefact, "value": value} for artefact, value in artefacts.items()],
            "notes": _notes(places, found, values["pitch"], loose=loose),
            "readings": {"run": given.run, "indices": list(given.indices)},
            "calibrations": [],
        }
    )


def _pitch(screw: ScrewError, given: AxisInput) -> Sequence[Term]:
    return [
        Term("fit", screw.u_pitch, "A", float(screw.dof), given.run),
        Term("gauge gain", given.gauge.u_gain or 0.0, "B", None, "gauge"),
        Term("temperature", given.u_growth, "B", None, given.temperature_source),
    ]


def _periodic(screw: ScrewError, given: AxisInput) -> Sequence[Term]:
    return [
        Term("fit", screw.u_amplitude, "A", float(screw.dof), given.run),
        Term("gauge gain", (given.gauge.u_gain or 0.0) * screw.amplitude, "B", None, "gauge"),
    ]


def _one_sided(found: AxisTest, below: Floats, given: AxisInput) -> Sequence[Term]:
    """What a single approach scatters by; the gauge's own scatter is in it, which is on the safe side."""
    runs, places = below.shape
    s = math.sqrt(float(np.mean(np.concatenate((found.s_up**2, found.s_down**2)))))
    floor = given.gauge.resolution_um / math.sqrt(12.0)  # a gauge that always shows the same may hide that much
    return [Term("approaches", max(s, floor), "A", float(2 * places * (runs - 1)), given.run)]


def _reversal(found: AxisTest, below: Floats, given: AxisInput) -> Sequence[Term]:
    """The tip follows the carriage there and back, late by half of the gauge's hysteresis each way."""
    runs, places = below.shape
    s = math.sqrt(float(np.mean(found.s_up**2 + found.s_down**2)) / (runs * places))
    u_late = (given.gauge.hysteresis_um or 0.0) / math.sqrt(2.0)
    return [
        Term("approaches", s, "A", float(2 * places * (runs - 1)), given.run),
        Term("gauge hysteresis", u_late, "B", None, "gauge", HYSTERESIS_SHAPE),
    ]


def _ways(found: AxisTest) -> Sequence[tuple[str, Floats]]:
    return ("deviation_from_below", found.means_up), ("deviation_from_above", found.means_down)


def _table(places: Floats, found: AxisTest) -> dict[str, Any]:
    names = ("place", "mean from below", "s from below", "mean from above", "s from above")
    rows = zip(places, found.means_up, found.s_up, found.means_down, found.s_down, strict=True)
    return {
        "columns": [{"name": name, "unit": "um"} for name in names],
        "rows": [[float(cell) for cell in row] for row in rows],
    }


def _curve(places: Floats, means: Floats) -> dict[str, Any]:
    points = [(float(place), float(mean)) for place, mean in zip(places, means, strict=True)]
    axes = {"x": {"name": "place", "unit": "um"}, "y": {"name": "deviation", "unit": "um"}}
    return {**axes, "points": points}


def _notes(places: Floats, found: AxisTest, pitch: dict[str, Any], *, loose: bool) -> list[str]:
    notes = [
        f"Tested from {places.min():.0f} to {places.max():.0f} µm of the carriage; beside that it is taken to be alike."
    ]
    if loose:
        notes.append(
            f"{abs(found.mean_reversal):.0f} µm are lost on reversal, and a run-up to a place has {RUN_UP_UM:.0f}: "
            "mend or preload the nut, then test again."
        )
    if abs(pitch["value"]) > pitch["U"]:
        share = 1.0 + pitch["value"]
        notes.append(
            "The pitch's error is counted as an uncertainty, whole. To take it off multiply `um_per_unit` of the axis "
            f"in the bench file by {share:.6f}, start benchd again, and find axis and zero anew."
        )
    return notes
