"""Figures of records for procedures, for a running bench and for files alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from benchd.bench.datum.chain import CalibrationInForce
from benchd.errors import Refused
from benchd.files.artefacts import full_thickness_mm
from benchd.files.loading import LoadedBench
from benchd.files.records_folder import Records
from benchd.procedures.inputs import Known
from benchd.procedures.language import Procedure
from benchd.procedures.library import Library


def known(records: Records) -> Known:
    """The ids of all records, by kind, and those of the lenses of each model."""
    models: dict[str, list[str]] = {}
    for name, lens in records.lenses.items():
        models.setdefault(f"model {lens.model}", []).append(name)
    return {
        "lens": records.lenses,
        "adapter": records.adapters,
        "glass": records.glasses,
        "reference": records.references,
        **models,
    }


def texts_of(procedure: Procedure, library: Library, inputs: Mapping[str, Any]) -> frozenset[str]:
    """Every text in a procedure, in those that it calls, and in its inputs: the ids of the records it uses are among
    them."""
    found, left = set(_texts_in(dict(inputs))), [procedure]
    while left:
        new = set(_texts_in(left.pop().model_dump(mode="json"))) - found
        found |= new
        left += [file.procedure for name, file in library.items() if name in new]
    return frozenset(found)


def _texts_in(value: Any) -> Iterator[str]:
    """Every text in a document."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for part in value.values():
            yield from _texts_in(part)
    elif isinstance(value, list | tuple):
        for part in value:
            yield from _texts_in(part)


def facts(
    loaded: LoadedBench, calibration: Callable[[str], CalibrationInForce | None], kind: str, name: str
) -> Mapping[str, Any]:
    """Figures of a record; a length comes from the calibration in force, if there is one. Raises Refused."""
    records = loaded.records
    if kind == "lens":
        lens = records.lens(name)
        return {"f_number": lens.f_number, "focal_length_mm": lens.focal_length_mm.value}
    if kind == "glass":
        return {"thickness_mm": records.glass(name).thickness_mm}
    length = _length(records, calibration, kind, name)
    if kind == "reference":
        cover_um = 1000.0 * full_thickness_mm(loaded.file.target.cover)
        return {**length, "reach_um": length["length_um"] + cover_um}
    return length


def _length(
    records: Records, calibration: Callable[[str], CalibrationInForce | None], kind: str, name: str
) -> dict[str, float]:
    in_force = calibration(name)
    if in_force is not None:
        return {"length_um": in_force.value, "u_um": in_force.u}
    given = (records.adapter(name) if kind == "adapter" else records.reference(name)).given
    if given is None:
        raise Refused("bad_request", f"{name} has no length.", advice="Write it into its record.")
    return {"length_um": given.length_um, "u_um": given.u_um}
