"""What may be calibrated on a bench: the names under which that is kept, and the unit that the chain counts it in."""

from __future__ import annotations

from collections.abc import Mapping

from benchd.arrangements.registry import ARRANGEMENTS, arrangement
from benchd.bench.datum.chain import JOINT
from benchd.bench.datum.glass_found import plates_of
from benchd.bench.datum.model_gap import gap_artefact
from benchd.bench.datum.position_terms import OF_STEPS
from benchd.files.bench_file import BenchFile
from benchd.files.records_folder import Records


def plain_artefacts(file: BenchFile, records: Records, own: Mapping[str, str]) -> tuple[str, ...]:
    """Base, adapters, joint, steps where they are the position, and the arrangement's `own`; beside these seats, plates
    and lens models have theirs."""
    steps = () if file.steps is None or "position" in file.roles else OF_STEPS
    return (file.base.calibration, *records.adapters, JOINT, *steps, *own)


def means_something(artefact: str, file: BenchFile, records: Records, own: Mapping[str, str]) -> bool:
    """Whether this bench counts with an artefact, or would in another of our arrangements: that a procedure is for
    another one is told by its question."""
    ours = (arrangement(name) for name in ARRANGEMENTS.names() if ARRANGEMENTS.is_ours(name))
    elsewhere = any(artefact in one.calibrated_in for one in ours)
    return elsewhere or unit_of_artefact(artefact, file, records, own) is not None


def unit_of_artefact(artefact: str, file: BenchFile, records: Records, own: Mapping[str, str]) -> str | None:
    """The unit that the chain counts an artefact in; None for one that nothing on this bench counts with."""
    base, *parts = artefact.split(".")
    of_a_seat = base == file.base.calibration and set(parts) <= set(records.adapters)
    of_glass = bool(plates_of(artefact)) and set(plates_of(artefact)) <= set(records.glasses)
    lenses = [lens for lens in records.lenses.values() if lens.model]
    models = {name for lens in lenses for name in (gap_artefact(lens.model), gap_artefact(lens.model, lens.id))}
    known = artefact in plain_artefacts(file, records, own) or of_a_seat or of_glass or artefact in models
    return {**OF_STEPS, **own}.get(artefact, "um") if known else None
