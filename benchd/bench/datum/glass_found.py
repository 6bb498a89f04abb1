"""The rear glass by its record or as `glass_toggle` has found it: whichever makes the chain surer.

What a plate does to best focus is measured in a cone of light, and the chain counts with the paraxial shift: the
finding has taken the difference back, by diffraction at the stop it was measured at.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.datum.chain_terms import CalibrationInForce, colour_u_index, glass_term
from benchd.bench.datum.routes import APART
from benchd.files.artefacts import plates
from benchd.files.records_folder import Records
from benchd.metrology.chain_term import ChainTerm
from benchd.optics.plate import paraxial_u_um


@dataclass(frozen=True, slots=True)
class RearGlass:
    """Its terms of the chain; the calibration that they go by and a note on it, and a clause where that contradicts the
    record. Empty where there is none."""

    terms: tuple[ChainTerm, ...]
    calibration: str = ""
    note: str = ""
    why_relative: str = ""


def glass_artefact(glass: Sequence[str]) -> str:
    """The artefact under which the shift of these plates together is kept."""
    return ".".join(("glass", *sorted(glass)))


def plates_of(artefact: str) -> tuple[str, ...]:
    """The plates whose shift is kept under an artefact; none where it is of another thing."""
    kind, *plates = artefact.split(".")
    return tuple(plates) if kind == "glass" else ()


def plates_um(records: Records, glass: Sequence[str], light_nm: float | None) -> float:
    """Shift (um) of these plates together by their records."""
    return sum(glass_term(records.glass(name), light_nm).value_um for name in glass)


def record_of(records: Records, setup: SetupDocument, found: CalibrationInForce) -> tuple[float, float, float]:
    """Shift (um) of the set-up's plates by their records, its u, and the u of what was found, both in its light."""
    u_um = math.hypot(*(glass_term(records.glass(name), setup.light_nm).u_um for name in setup.glass))
    u_found_um = math.hypot(found.u, _colour_u_um(records, setup, found))
    return plates_um(records, setup.glass, setup.light_nm), u_um, u_found_um


def rear_glass(records: Records, setup: SetupDocument, calibrations: Mapping[str, CalibrationInForce]) -> RearGlass:
    """Of the plates in a set-up."""
    by_record = tuple(glass_term(records.glass(name), setup.light_nm) for name in setup.glass)
    found = calibrations.get(glass_artefact(setup.glass)) if setup.glass else None
    if found is None:
        return RearGlass(by_record)
    record_um, u_record_um, u_um = record_of(records, setup, found)
    off_um = found.value - record_um
    together = " + ".join(setup.glass)
    why = ""
    if abs(off_um) > APART * math.hypot(u_um, u_record_um):
        why = f"glass {together} shifts by {abs(off_um):.1f} µm {'more' if off_um > 0 else 'less'} than its record says"
    if u_um >= u_record_um:
        return RearGlass(by_record, why_relative=why)
    term = ChainTerm(f"glass {together}", found.value, u_um, found.dof, "normal", found.id)
    return RearGlass((term,), found.id, f"Glass {together} by {found.id}: {found.how}.", why)


def _colour_u_um(records: Records, setup: SetupDocument, found: CalibrationInForce) -> float:
    """By light other than that which it was found with."""
    if setup.light_nm is None or found.light_nm is None:
        return 0.0
    layers = [layer for name in setup.glass for layer in plates(records.glass(name).layers)]
    by_layer = [
        paraxial_u_um(layer.thickness_mm, 0.0, layer.index, colour_u_index(layer, setup.light_nm - found.light_nm))
        for layer in layers
    ]
    # One light, and every glass is stronger in blue: the layers go together.
    return sum(by_layer)
