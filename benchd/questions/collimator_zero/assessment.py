"""The vergence of a collimator from settings of its tube by autocollimation: pure numbers.

Where the reticle's own image is sharpest in its plane, light meets the flat square all over, and its vergence there is
the flat's curvature, none for a plane. Locked d farther from the collimator's lens than that, it has in addition
-d / fc^2 (Newton, x x' = fc^2), positive where it diverges: see `arrangements.collimated`. Sag s over the diameter D
makes the radius R = D^2 / 8 s, so that the flat's bound is 1 / R either way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from benchd.arrangements.collimated import COLLIMATOR, PER_M, Collimated, drift_u_per_m
from benchd.assessments.finding import Finding
from benchd.assessments.lines import as_budget, as_value
from benchd.errors import Refused
from benchd.files.artefacts import Reference
from benchd.metrology.budget import Term, combine, standard_u
from benchd.metrology.outlying import FAR_OFF, far_off
from benchd.metrology.repeats import repeats

MOST_PER_M = 0.005
"""Beyond, the way to the lens counts: at a metre it changes the vergence by its square, 0.5 % of it."""

STAYS_LOCKED = "It holds as long as the tube stays locked: whoever moves it runs collimator_zero again."


@dataclass(frozen=True, slots=True)
class TubeInput:
    """What the files say: focal length of the collimator, sign and u of its tube's reading, least radius of the flat,
    and the most that reticle and focus move apart per kelvin; the temperature of the day."""

    head: Mapping[str, Any]
    away: float
    fc_mm: float
    u_fc_mm: float
    fc_dof: float | None
    u_tube_um: float
    least_radius_mm: float
    flat: str
    drift_um_per_K: float
    temperature_C: float
    u_temperature_K: float
    temperature_source: str
    indices: tuple[int, int]


def tube_input(
    stated: Collimated.Config,
    flat: Reference,
    *,
    head: Mapping[str, Any],
    temperature_C: float,
    u_temperature_K: float,
    temperature_source: str,
    indices: tuple[int, int],
) -> TubeInput:
    """From the keys of the arrangement and the flat's record, which were seen to be complete."""
    assert stated.focal_length_mm is not None
    assert stated.u_tube_um is not None
    assert flat.flat is not None
    return TubeInput(
        head=head,
        away=1.0 if stated.tube_grows == "away" else -1.0,
        fc_mm=stated.focal_length_mm.value,
        u_fc_mm=stated.focal_length_mm.u,
        fc_dof=stated.focal_length_mm.dof,
        u_tube_um=stated.u_tube_um,
        least_radius_mm=flat.flat.least_radius_mm,
        flat=flat.id,
        drift_um_per_K=stated.tube_drift_um_per_K or 0.0,
        temperature_C=temperature_C,
        u_temperature_K=u_temperature_K,
        temperature_source=temperature_source,
        indices=indices,
    )


def assess(settings: Sequence[float], locked: float, given: TubeInput) -> Finding:
    """The finding `collimator_zero`, from readings of the tube in um.

    Raises Refused('not_found') where the tube is locked so far off that the way to the lens would count.
    """
    found = repeats(settings)
    setting_um = given.away * (locked - found.mean)
    per_m = -setting_um / given.fc_mm**2  # um / mm^2 is 1/m
    if abs(per_m) > MOST_PER_M:
        raise Refused(
            "not_found",
            f"The tube was locked {setting_um:+.0f} µm from its setting: that is {abs(per_m):.3f} 1/m, at most "
            f"{MOST_PER_M:g} can be counted with.",
            advice="Lock it where the settings lie, and see that its scale was read in the unit that was asked for.",
        )
    # Where settings scatter by less than one reading tells, it is off by the same in all of them.
    read_alike = given.u_tube_um > found.u
    of_tube = [
        Term("settings", found.u, "A", float(found.dof), str(given.head["run"])),
        Term("tube reading", given.u_tube_um * (2.0**0.5 if read_alike else 1.0), "B", None, "bench file"),
    ]
    by_radius = standard_u(1000.0 / given.least_radius_mm, "rectangular")
    by_focal_length = 2.0 * abs(per_m) * given.u_fc_mm / given.fc_mm
    by_temperature = drift_u_per_m(given.drift_um_per_K, given.fc_mm, given.u_temperature_K)
    lines = [
        *(replace(term, u=term.u / given.fc_mm**2) for term in of_tube),
        Term("flat", by_radius, "B", None, f"{given.flat}, record", "rectangular"),
        Term("focal length", by_focal_length, "B", given.fc_dof, "bench file"),
        Term("temperature", by_temperature, "B", None, given.temperature_source),
    ]
    of_tube, lines = [term for term in of_tube if term.u > 0.0], [term for term in lines if term.u > 0.0]
    return Finding.model_validate(
        {
            **given.head,
            "measurand": {
                "arrangement": Collimated.name,
                "artefact": COLLIMATOR,
                "reference_C": given.temperature_C,
            },
            "absolute": True,
            "values": {
                "vergence": as_value(per_m, combine(lines), PER_M),
                "setting": as_value(setting_um, combine(of_tube), "um"),
            },
            "budgets": {"vergence": as_budget(lines), "setting": as_budget(of_tube)},
            "verdict": None,
            "advice": None,
            "calibrates": [{"artefact": COLLIMATOR, "value": "vergence"}],
            "notes": [*_far_off(settings, given.u_tube_um), STAYS_LOCKED],
            "readings": {"run": str(given.head["run"]), "indices": list(given.indices)},
            "calibrations": [],
        }
    )


def _far_off(settings: Sequence[float], u_tube_um: float) -> list[str]:
    return [
        f"Setting {index + 1} of {len(settings)} is {FAR_OFF}, {off:+.0f} µm from the median: mistyped, or not set as "
        "the others were. Set the tube again.".replace("-", "\u2212")
        for index, off in far_off(settings, u_tube_um)
    ]
