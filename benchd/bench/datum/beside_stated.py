"""What a calibration has found beside what is stated of the same thing, and beside what else is in force.

A plate is held against its record, and a zero on the adapters' seat against base and adapters: where they lie further
apart than three standard uncertainties, one of them is wrong, and findings are relative until that is settled. Base,
adapter and collimator are counted with as they were found, whatever is stated: that they lie far off is told only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchd.arrangements.collimated import COLLIMATOR, Collimated
from benchd.arrangements.registry import arrangement_of
from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.datum.chain import contradiction
from benchd.bench.datum.chain_terms import CalibrationInForce
from benchd.bench.datum.glass_found import plates_of, rear_glass, record_of
from benchd.bench.datum.routes import APART
from benchd.files.bench_file import BenchFile
from benchd.files.records_folder import Records
from benchd.metrology.rounding import rounded
from benchd.quantities import printed_unit


@dataclass(frozen=True, slots=True)
class Stated:
    """A value with its standard uncertainty, in the calibration's unit, and the words for where it stands."""

    value: float
    u: float
    where: str


@dataclass(frozen=True, slots=True)
class BesideStated:
    """`artefact` was found `off` from what is `stated` of it (None where nothing is), the difference known to `u`.

    `relative` are clauses: why findings with it are relative as long as it is in force.
    """

    artefact: str
    unit: str
    off: float
    u: float
    stated: Stated | None
    relative: tuple[str, ...]

    @property
    def name(self) -> str:
        """The part itself: plates without the kind of the artefact."""
        return " + ".join(plates_of(self.artefact)) or self.artefact

    @property
    def far(self) -> bool:
        """Whether one of both is wrong."""
        return bool(self.relative) or (self.stated is not None and abs(self.off) > APART * self.u)

    @property
    def how_far(self) -> str:
        """A sentence; empty where nothing is stated."""
        if self.stated is None:
            return ""
        off = rounded(abs(self.off), self.u)[0] if self.unit != "um" else f"{abs(self.off):.1f}"
        times = abs(self.off) / self.u
        return f"{self.name} was found {off} {printed_unit(self.unit)} ({times:.1f} u) from {self.stated.where}."

    @property
    def follows(self) -> str:
        """What comes of it, a sentence; empty where it is near enough."""
        if self.relative:
            return f"Findings with it are relative as long as both stand: {' and '.join(self.relative)}."
        if not self.far:
            return ""
        return f"That is more than {APART:g} u: one of both is wrong. Findings go by what was found."

    @property
    def mends(self) -> str:
        """What to do about it; empty where it is near enough."""
        if not self.far:
            return ""
        wrong = self.stated.where if self.stated is not None else "what is in force of base and adapters"
        again = f"Look whether this is the part that is stated, and measure it again: put {wrong} right, or accept"
        return f"{again} anew. `withdraw` takes the calibration of {self.artefact} back."


def beside_stated(
    file: BenchFile,
    records: Records,
    setup: SetupDocument,
    in_force: Mapping[str, CalibrationInForce],
    found: CalibrationInForce,
) -> BesideStated:
    """Of a calibration that comes into force, or has; `setup` says in which light."""
    known = {**in_force, found.artefact: found}
    stated, u, relative = _stated(file, records, found), found.u, _contradictions(file, records, known, found.artefact)
    plates = plates_of(found.artefact)
    if plates and set(plates) <= set(records.glasses):
        behind = setup.model_copy(update={"glass": plates})
        value, u_record, u = record_of(records, behind, found)
        stated = Stated(value, u_record, f"its record ({value:.1f} µm)")
        why = rear_glass(records, behind, known).why_relative
        relative = (why,) if why else ()
    off = 0.0 if stated is None else found.value - stated.value
    return BesideStated(
        found.artefact, found.unit, off, u if stated is None else math.hypot(u, stated.u), stated, tuple(relative)
    )


def _stated(file: BenchFile, records: Records, found: CalibrationInForce) -> Stated | None:
    """What files state of base, adapter or collimator, at the temperature of the calibration."""
    artefact = found.artefact
    if artefact == file.base.calibration:
        length, alpha, where = file.base.given, file.base.alpha_per_K, "the bench file"
        return Stated(length.length_um * (1.0 + alpha * (found.at_C - length.at_C)), length.u_um, where)
    if (adapter := records.adapters.get(artefact)) is not None:
        given, alpha = adapter.given, adapter.material.alpha_per_K
        return Stated(given.length_um * (1.0 + alpha * (found.at_C - given.at_C)), given.u_um, "its record")
    arrangement = arrangement_of(file)
    if artefact == COLLIMATOR and isinstance(arrangement, Collimated):
        config = arrangement.config
        if config.u_vergence_per_m is not None:
            return Stated(config.vergence_per_m, config.u_vergence_per_m, "the bench file")
    return None


def _contradictions(
    file: BenchFile, records: Records, known: Mapping[str, CalibrationInForce], artefact: str
) -> tuple[str, ...]:
    """Between the zeros on the seats that this artefact has a part in and base and adapters."""
    told = []
    for name in known:
        base, *adapters = name.split(".")
        of_a_seat = base == file.base.calibration and adapters and set(adapters) <= set(records.adapters)
        if of_a_seat and artefact in (name, base, *adapters):
            told.append(contradiction(file, [records.adapter(one) for one in adapters], known))
    return tuple(dict.fromkeys(why for why in told if why))
