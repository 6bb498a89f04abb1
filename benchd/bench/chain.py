"""The datum chain: the one place that says where the carriage must stand, and how sure that is.

    carriage = flange_depth + glass + target_cover + conjugate + trim
               - base - adapters - joints - stand-off - sag - thermal(base, adapters, scale)

Every term is always published. What the files state no bound for, sag among it, stands without an uncertainty, not with
one of zero; so does the growth of a scale whose expansion is not stated. The chain is paraxial,
as cameras are set. Offset 0 is nominal, positive is deeper; the trim is an offset that a person chose.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from benchd.bench import chain_notes
from benchd.bench.bounded_terms import bounded_terms, read_at, tipping, together
from benchd.bench.bounded_terms import notes as bounded_notes
from benchd.bench.chain_terms import (
    CalibrationInForce,
    ChainTerm,
    Shape,
    Shares,
    UnmeasuredTerm,
    adapter_length,
    base_length,
    glass_term,
    growth,
    joints_term,
    plates_term,
    temperature_of,
    thermal_budget,
)
from benchd.bench.conjugate_term import ConjugateTerm, conjugate_term, wall_too_near
from benchd.bench.gauge_terms import gauge_terms
from benchd.bench.position_terms import (
    ScaleRecord,
    position_noise_um,
    position_notes,
    position_record,
    position_terms,
    position_u_um,
    zero_at_um,
)
from benchd.bench.setup import SetupDocument
from benchd.files.artefacts import Lens
from benchd.files.bench_file import BenchFile
from benchd.files.records_folder import Records
from benchd.optics.expansion import REFERENCE_C

__all__ = [
    "CalibrationInForce",
    "Chain",
    "ChainTerm",
    "ScaleRecord",
    "Shape",
    "Shares",
    "carriage_for_depth",
    "carriage_for_offset",
    "datum_chain",
    "depth_um",
    "offset_um",
    "position_noise_um",
    "position_notes",
    "position_record",
    "position_u_um",
    "published",
    "wall_too_near",
    "with_chain",
]

JOINT = "joint"
"""The artefact under which a gauge study of mated pairs is kept."""


@dataclass(frozen=True, slots=True)
class Chain:
    """The chain of one set-up.

    `terms` are for the eye, each part with its own u; `budget` are the same as independent lines (thermal parts
    share a thermometer and are one line there), whose root sum of squares is `u_um`. `carriage_um` is where
    `nominal` goes, trim included; None without a lens. `why_relative` says in clauses what keeps findings from being
    absolute: a base not calibrated, nothing stated of the position, a conjugate term not known.
    Depth = `depth_at_zero_um` + carriage x (1 + `scale_growth`).
    """

    terms: tuple[ChainTerm | UnmeasuredTerm, ...]
    budget: tuple[ChainTerm, ...]
    carriage_um: float | None
    u_um: float
    why_relative: tuple[str, ...]
    notes: tuple[str, ...]
    calibrations: tuple[str, ...]
    depth_at_zero_um: float
    scale_growth: float
    trim_um: float
    conjugate: ChainTerm | None

    @property
    def absolute(self) -> bool:
        """Whether offsets are counted from a nominal place that is known."""
        return not self.why_relative

    @property
    def nominal_depth_um(self) -> float | None:
        """Seat to target at offset 0."""
        return None if self.carriage_um is None else depth_um(self, self.carriage_um) - self.trim_um


def datum_chain(
    bench_file: BenchFile,
    records: Records,
    setup: SetupDocument,
    calibrations: Mapping[str, CalibrationInForce],
    scale: ScaleRecord | None,
) -> Chain:
    """The chain of `setup` with the calibrations in force (artefact -> calibration) and what is stated of the position.

    Raises Refused: unknown_name, wall_too_near (no image of the wall can form). Checks of the set-up itself are
    `setup.apply`'s.
    """
    now = temperature_of(setup.temperature_C, bench_file.set_up.u_temperature_K, setup.rev)
    lens = records.lens(setup.lens) if setup.lens is not None else None
    base = base_length(bench_file, calibrations.get(bench_file.base.calibration))
    adapters = [adapter_length(records.adapter(one), calibrations.get(one)) for one in setup.adapters]
    pairs = len(adapters) + (1 if lens is not None else 0)
    joints = joints_term(pairs, bench_file, calibrations.get(JOINT))

    conjugate = conjugate_term(bench_file, lens, setup) if lens is not None else None
    optical = _optical(bench_file, records, setup, lens, conjugate)
    bounded = bounded_terms(bench_file, lens, [records.adapter(one) for one in setup.adapters], adapters)
    lengths = [base.as_term(), *(adapter.as_term() for adapter in adapters), joints]
    growths = [growth(part.term, part.length_um, part.alpha_per_K, part.at_C, now) for part in (base, *adapters)]

    # The scale grows with its reading, so the place where the terms add up is a division, not a sum.
    alpha_scale = None if scale is None else scale.alpha_per_K
    scale_growth = (alpha_scale or 0.0) * (now.at_C - REFERENCE_C)
    depth_at_zero = -sum(term.value_um for term in [*lengths, *(part.term for part in growths)]) - bounded.value_um
    carriage: float | None = None
    position: list[ChainTerm] = []
    unmeasured: list[UnmeasuredTerm] = []
    if lens is not None:
        carriage = (sum(term.value_um for term in optical) - depth_at_zero) / (1.0 + scale_growth)
        if alpha_scale is None:
            unmeasured.append(UnmeasuredTerm("thermal scale", source="not stated"))
        else:
            growths.append(growth("scale", carriage, alpha_scale, REFERENCE_C, now))
        zero_um = zero_at_um(bench_file, calibrations)
        if scale is not None:
            by_scale_um = sum(part.length_um for part in adapters if part.shares.scale_um)
            position = position_terms(scale, carriage, zero_um, by_scale_um)
        bounded = together([bounded, tipping(bench_file, read_at(carriage, zero_um, adapters if position else ()))])

    used = {base.source: base, **{part.source: part for part in adapters}}
    cited = [source for source, part in used.items() if part.calibrated]
    if joints.kind == "A":
        cited.append(joints.source)
    # Without a lens there is no place, and so no line of scale or carriage that could take its share over.
    stated = bench_file.abbe is not None
    own = [part.as_line(abbe_stated=stated) if position else part.as_term() for part in (base, *adapters)]
    by_gauge = gauge_terms(base, adapters) if position else []
    lines = [*optical, *own, joints, *bounded.lines, *by_gauge, thermal_budget(growths, now), *position]
    budget = [term for term in lines if term.u_um > 0.0]
    return Chain(
        terms=(*optical, *lengths, *bounded.terms, *(part.term for part in growths), *unmeasured, *position),
        budget=tuple(budget),
        carriage_um=carriage,
        u_um=math.hypot(*(term.u_um for term in budget)),
        why_relative=chain_notes.why_relative(base, scale, bounded, conjugate),
        notes=(
            *chain_notes.notes(
                bench_file, records, setup, [base, *adapters], conjugate, taken_back=alpha_scale is not None
            ),
            *bounded_notes(bounded),
            *position_notes(scale),
        ),
        calibrations=tuple(cited),
        depth_at_zero_um=depth_at_zero,
        scale_growth=scale_growth,
        trim_um=setup.trim_um,
        conjugate=conjugate.term if conjugate else None,
    )


def _optical(
    bench_file: BenchFile,
    records: Records,
    setup: SetupDocument,
    lens: Lens | None,
    conjugate: ConjugateTerm | None,
) -> list[ChainTerm]:
    terms = []
    if lens is not None:
        mount = bench_file.mounts[lens.mount]
        flange = 1000.0 * mount.flange_depth_mm
        terms.append(ChainTerm("flange_depth", flange, 0.0, None, "normal", f"mount {lens.mount}, bench file"))
    terms += [glass_term(records.glass(one), setup.light_nm) for one in setup.glass]
    source = f"target {bench_file.target.id}, bench file" if bench_file.target.cover else "no cover"
    terms.append(plates_term("target_cover", bench_file.target.cover, source, setup.light_nm))
    if conjugate is not None:
        terms.append(conjugate.term)
    terms.append(ChainTerm("trim", setup.trim_um, 0.0, None, "normal", "operator"))
    return terms


class Depths(Protocol):
    """What a depth is counted by: of a chain, and of whatever else knows where its zero lies."""

    @property
    def depth_at_zero_um(self) -> float: ...
    @property
    def scale_growth(self) -> float: ...


def depth_um(of: Depths, carriage_um: float) -> float:
    """Seat to target with the carriage reading `carriage_um`."""
    return of.depth_at_zero_um + carriage_um * (1.0 + of.scale_growth)


def carriage_for_depth(of: Depths, depth: float) -> float:
    """The carriage reading for a depth."""
    return (depth - of.depth_at_zero_um) / (1.0 + of.scale_growth)


def offset_um(chain: Chain, carriage_um: float) -> float | None:
    """How much deeper than nominal (trim left out) the target stands; None without a lens."""
    if chain.carriage_um is None:
        return None
    return (carriage_um - chain.carriage_um) * (1.0 + chain.scale_growth) + chain.trim_um


def carriage_for_offset(chain: Chain, offset: float) -> float | None:
    """The carriage reading for an offset; None without a lens."""
    if chain.carriage_um is None:
        return None
    return chain.carriage_um + (offset - chain.trim_um) / (1.0 + chain.scale_growth)


def published(chain: Chain) -> tuple[ChainTerm | UnmeasuredTerm, ...]:
    """The terms and, last, the carriage itself."""
    if chain.carriage_um is None:
        return chain.terms
    total = ChainTerm("carriage", chain.carriage_um, chain.u_um, None, "normal", "sum of the terms")
    return (*chain.terms, total)


def with_chain(setup: SetupDocument, chain: Chain) -> SetupDocument:
    """The set-up document with its chain, as published."""
    stands = {"absolute": chain.absolute, "why_relative": chain.why_relative}
    return setup.model_copy(update={"chain": published(chain), **stands, "notes": chain.notes})
