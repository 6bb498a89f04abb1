"""The shift of best focus by a plate, from four visits, and the paraxial shift that it tells of: pure numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from benchd.assessments.finding import Finding
from benchd.assessments.lines import as_budget, as_value
from benchd.assessments.peak_lines import non_linear_notes, non_linear_term, through_fit
from benchd.metrology.budget import Term, combine
from benchd.metrology.distribution import Shape
from benchd.metrology.interleaved import drift_free_difference


@dataclass(frozen=True, slots=True)
class Visit:
    """One sweep: depth of best focus (um, seat to target), its u and degrees of freedom.

    `passed_on` is how much of the scale's periodic error reaches the peak; None where its period is not stated.
    """

    depth_um: float
    u_um: float
    dof: float
    passed_on: float | None = None


@dataclass(frozen=True, slots=True)
class ToggleInput:
    """`paraxial_um` is t(1 - 1/n) of the plate with its u; `beyond_um` what best focus goes beyond that in this cone,
    with its u by the lens's own aberration and that by the f-number, which comes `f_number_from`. The paraxial shift
    may come into force under the name `artefact`.

    `at_a_place` are the lines of the local position errors (um), `u_abbe_um` the Abbe error between the two positions.
    """

    run: str
    setup: int
    lens: str | None
    glass: Sequence[str]
    measurand: dict[str, object]
    paraxial_um: tuple[float, float]
    beyond_um: tuple[float, float, float]
    artefact: str
    lp_mm: float
    light_nm: float
    u_scale: float
    at_a_place: Sequence[Term]
    indices: tuple[int, int]
    at: str
    version: str
    f_number: float
    linear: bool = True
    notes: Sequence[str] = ()
    u_abbe_um: float = 0.0
    f_number_from: tuple[str, Shape] = ("within a sixth of a stop", "rectangular")
    job: str | None = None


def assess(visits: Sequence[Visit], given: ToggleInput) -> Finding:
    """The finding `glass_toggle` of four visits (out, in, in, out): shift by the plate, paraxial shift, residual.

    The two states share base, adapters, joints, conjugate and the zero, so those lines cancel in the difference; a
    linear drift cancels too, and the residue of a curved one is in the budget.
    """
    found = drift_free_difference(
        [visit.depth_um for visit in visits], [visit.u_um for visit in visits], [visit.dof for visit in visits]
    )
    shift = found.difference
    terms = [*found.terms(given.run), Term("scale", given.u_scale * abs(shift), "B", None, "position scale")]
    terms += [Term("abbe", given.u_abbe_um, "B", None, "bench file", "triangular")]
    terms += _at_both_places(given.at_a_place, visits)
    if not given.linear:
        # Both states shift, by their own aberration and mostly in the same direction: one line covers the difference.
        terms.append(non_linear_term(given.f_number))
    terms = [term for term in terms if term.u > 0.0]
    plate = Term("plate record", given.paraxial_um[1], "B", None, ", ".join(given.glass))
    measured = combine(terms)
    residual = combine([*terms, plate])
    beyond, by_own, by_stop = given.beyond_um
    of_cone = [
        Term("aberration of the lens", by_own, "B", None, "within a wave at its open stop", "rectangular"),
        Term("f-number", by_stop, "B", None, *given.f_number_from),
    ]
    of_found = [*terms, *(term for term in of_cone if term.u > 0.0)]
    found_um = shift - beyond
    return Finding.model_validate(
        {
            "finding": "",
            "assessment": "glass_toggle",
            "run": given.run,
            "setup": given.setup,
            "lens": given.lens,
            "job": given.job,
            "at": given.at,
            "version": given.version,
            "measurand": given.measurand,
            "absolute": True,
            "values": {
                "shift": as_value(shift, measured, "um"),
                "paraxial": {"value": given.paraxial_um[0], "unit": "um", "u": given.paraxial_um[1]},
                "residual": as_value(shift - given.paraxial_um[0], residual, "um"),
                "expected_residual": {"value": beyond, "unit": "um", "u": math.hypot(by_own, by_stop)},
                "found": as_value(found_um, combine(of_found), "um"),
                "drift": {"value": found.drift, "unit": "um"},
            },
            "budgets": {
                "shift": as_budget(terms),
                "residual": as_budget([*terms, plate]),
                "found": as_budget(of_found),
            },
            "verdict": None,
            "advice": None,
            "notes": [
                *given.notes,
                "Residual is the measured shift less t(1 - 1/n): a cone of light is shifted further than a paraxial "
                "ray. Expected is by how much, by diffraction at this frequency; the measured shift less that is the "
                "paraxial shift found.",
                *non_linear_notes(given.linear),
            ],
            "calibrates": [
                {
                    "artefact": given.artefact,
                    "value": "found",
                    "light_nm": given.light_nm,
                    "how": f"{shift:+.1f} µm measured at f/{given.f_number:.3g} and {given.lp_mm:g} lp/mm, of which "
                    f"{beyond:.1f} µm by the cone",
                }
            ],
            "readings": {"run": given.run, "indices": list(given.indices)},
            "calibrations": [],
        }
    )


def _at_both_places(at_a_place: Sequence[Term], visits: Sequence[Visit]) -> list[Term]:
    """The local position errors at best focus without the plate and with it, as separate lines.

    These errors are functions of position: both sweeps of one state share them, so two visits do not average them. The
    two states are almost a millimetre apart, at unknown phases of the periodic error, so they are taken as independent:
    together the square root of two of one position. A plate that shifts by half a period makes the periodic errors
    opposite, twice those of one position; with a whole period they cancel. Which it is no stated period tells: over so
    many of them it would have to be true to a thousandth.
    """
    lines = []
    for state, of_state in (("out", (visits[0], visits[3])), ("in", visits[1:3])):
        passed = [one.passed_on for one in of_state if one.passed_on is not None]
        whole = fmean(passed) if len(passed) == len(of_state) else None
        for term in at_a_place:
            if term.u > 0.0:
                lines.append(replace(through_fit(term, whole), term=f"{term.term}, glass {state}"))
    return lines
