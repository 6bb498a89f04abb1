"""Whether rear element, glass and target stay clear of each other where a lens is measured, by the files alone.

The running bench checks this before each motion (`bench/datum/clearance.py`, asked here as well); a record that can
never be driven to nominal is better known when it is written.
"""

from __future__ import annotations

from collections.abc import Iterator

from benchd.arrangements.setup_document import first_setup
from benchd.bench.datum.chain_terms import glass_term, plates_term
from benchd.bench.datum.clearance import check_clearance, clearance
from benchd.errors import Refused
from benchd.files.artefacts import Glass, Lens
from benchd.files.loading import LoadedBench


def too_near(loaded: LoadedBench) -> Iterator[str]:
    """A note on each lens that has no room at nominal, with the glass it is made for, or without any.

    Light from infinity is taken: a wall brings nominal deeper by a part of a millimetre, and never nearer. A lens whose
    rear nobody has stated is asked for when it is driven.
    """
    for lens in loaded.records.lenses.values():
        if lens.rear_protrusion_mm is None:
            continue
        glass = None if lens.designed_for_glass is None else loaded.records.glasses.get(lens.designed_for_glass)
        if note := _note(loaded, lens, glass):
            yield note


def _note(loaded: LoadedBench, lens: Lens, glass: Glass | None) -> str:
    file, records = loaded.file, loaded.records
    depth_um = 1000.0 * file.mounts[lens.mount].flange_depth_mm
    depth_um += plates_term("target_cover", file.target.cover, "", None).value_um
    depth_um += 0.0 if glass is None else glass_term(glass, None).value_um
    parts = {"lens": lens.id, "glass": () if glass is None else (glass.id,)}
    try:
        check_clearance(clearance(file, records, first_setup(file).model_copy(update=parts)), depth_um)
    except Refused as refused:
        behind = "" if glass is None else f" with glass {glass.id}"
        return f"Lens {lens.id}{behind} cannot be driven to nominal: {refused.text} {refused.advice}"
    return ""
