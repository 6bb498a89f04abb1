"""The datum chain: the carriage position of nominal, and its uncertainty.

    depth of nominal = flange_depth + glass + target_cover + conjugate + terms of the arrangement + trim
    carriage = depth of nominal - base - adapters - joints - stand-off - sag - thermal(base, adapters, scale)

where the target rides on the carriage; other arrangements define their own relation (`arrangements`).

Every term is always published. A term whose bound the files do not state, such as sag, has no uncertainty rather than
one of zero; so has the growth of a scale whose expansion is not stated. The chain is paraxial, as cameras are set.
Offset 0 is nominal, positive is deeper; the trim is an offset that a person chose.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from benchd.arrangements.arrangement import Stands
from benchd.arrangements.conjugate import ConjugateTerm
from benchd.arrangements.places import Places
from benchd.arrangements.registry import arrangement_of
from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.datum import chain_notes
from benchd.bench.datum.bounded_terms import bounded_terms, combined
from benchd.bench.datum.bounded_terms import notes as bounded_notes
from benchd.bench.datum.chain_terms import (
    CalibrationInForce,
    Length,
    Shares,
    cover_u_um,
    gauge_terms,
    growth,
    joints_term,
    plates_term,
    temperature_told,
    thermal_budget,
)
from benchd.bench.datum.glass_found import RearGlass, rear_glass
from benchd.bench.datum.model_gap import ByGap, by_gap
from benchd.bench.datum.position_terms import (
    CarriageTerms,
    ScaleRecord,
    as_measured,
    position_noise_um,
    position_notes,
    position_record,
    position_u_um,
)
from benchd.bench.datum.routes import Route, apart, by_parts, by_seat
from benchd.files.artefacts import Adapter, Lens
from benchd.files.bench_file import BenchFile
from benchd.files.records_folder import Records
from benchd.metrology.chain_term import ChainTerm, Shape, UnmeasuredTerm
from benchd.optics.expansion import REFERENCE_C

__all__ = [
    "CalibrationInForce",
    "Chain",
    "ChainTerm",
    "ScaleRecord",
    "Shape",
    "Shares",
    "as_measured",
    "datum_chain",
    "position_noise_um",
    "position_notes",
    "position_record",
    "position_u_um",
    "published",
    "with_chain",
]

JOINT = "joint"
"""The artefact under which a gauge study of mated pairs is kept."""


@dataclass(frozen=True, slots=True)
class Chain:
    """The chain of one set-up.

    `terms` are for display, each part with its own u; `budget` are the same as independent lines (thermal parts share a
    thermometer and are one line there), whose root sum of squares is `u_um`. `carriage_um` is where `nominal` goes,
    trim included; None without a lens. `why_relative` says in clauses what keeps findings from being absolute: a base
    not calibrated, no statement on the position, an unknown conjugate term. `places` converts between carriage, depth
    and offset, `by_carriage` gives the uncertainty of a carriage position, `improves` says how to improve the lines of
    the arrangement. `zero_um` is the position at which the zero was found; the scale's uncertainty grows from there.
    `joints` is the number of pairs of seats in the line of that name.
    """

    terms: tuple[ChainTerm | UnmeasuredTerm, ...]
    budget: tuple[ChainTerm, ...]
    carriage_um: float | None
    u_um: float
    why_relative: tuple[str, ...]
    notes: tuple[str, ...]
    calibrations: tuple[str, ...]
    places: Places
    trim_um: float
    conjugate: ChainTerm | None
    by_carriage: CarriageTerms | None = None
    improves: Mapping[str, str] = field(default_factory=dict)
    zero_um: float = 0.0
    joints: int = 1

    @property
    def absolute(self) -> bool:
        """Whether offsets are counted from a known nominal position."""
        return not self.why_relative

    def budget_at(self, offset_um: float) -> tuple[ChainTerm, ...]:
        """The budget, its position-dependent lines taken at this offset."""
        carriage_um = self.places.carriage_um(offset_um)
        if carriage_um is None or self.by_carriage is None:
            return self.budget
        slope = self.places.slope(carriage_um)
        lines = {line.term: line for line in self.budget}
        for line in (
            *self.places.lines(offset_um),
            *self.by_carriage.position(carriage_um, slope),
            *self.by_carriage.tipping_at(carriage_um, slope).lines,
        ):
            lines[line.term] = line
        return tuple(line for line in lines.values() if line.u_um > 0.0)


def datum_chain(
    bench_file: BenchFile,
    records: Records,
    setup: SetupDocument,
    calibrations: Mapping[str, CalibrationInForce],
    scale: ScaleRecord | None,
    *,
    stand_since: int = 0,
) -> Chain:
    """The chain of `setup` with the calibrations in force (artefact -> calibration) and the stated position errors.

    By the route of base and adapters, or by a zero on the adapters' seat: whichever makes it surer, and relative where
    they contradict each other. `stand_since` is the revision from which on the adapters have not been taken off.

    Raises Refused: unknown_name, wall_too_near (no image of the wall can form). Checks of the set-up itself are
    `setup.apply`'s.
    """

    def surest(gap: ByGap | None) -> Chain:
        return _surest(bench_file, records, setup, calibrations, scale, stand_since, gap)

    plain = surest(None)
    lens = None if setup.lens is None else records.lens(setup.lens)
    gap = by_gap(lens, setup, bench_file, calibrations)
    if gap is None:
        return plain
    found = surest(gap)
    # What contradicts itself is seen by the focal length, which that way does without.
    same = set(plain.why_relative) <= set(found.why_relative)
    return found if same and found.u_um <= plain.u_um else plain


def _surest(
    bench_file: BenchFile,
    records: Records,
    setup: SetupDocument,
    calibrations: Mapping[str, CalibrationInForce],
    scale: ScaleRecord | None,
    stand_since: int,
    gap: ByGap | None,
) -> Chain:
    """By base and adapters, or by the zero on their seat."""
    scale = as_measured(scale, calibrations)
    stack = [records.adapter(name) for name in setup.adapters]
    parts = by_parts(bench_file, stack, calibrations)
    glass = rear_glass(records, setup, calibrations)
    chain = _by_route(parts, bench_file, records, setup, calibrations, glass, scale, gap)
    seat = by_seat(bench_file, stack, calibrations, stand_since)
    if seat is None:
        return chain
    by_its_seat = _by_route(seat, bench_file, records, setup, calibrations, glass, scale, gap)
    surer = by_its_seat if not chain.absolute or by_its_seat.u_um <= chain.u_um else chain
    wrong = contradiction(bench_file, stack, calibrations)
    return surer if wrong is None else replace(surer, why_relative=(*surer.why_relative, wrong))


def contradiction(
    bench_file: BenchFile, stack: Sequence[Adapter], calibrations: Mapping[str, CalibrationInForce]
) -> str | None:
    """A clause if the zero on these adapters' seat contradicts base and adapters, where all of them are calibrated."""
    parts, seat = by_parts(bench_file, stack, calibrations), by_seat(bench_file, stack, calibrations, stand_since=0)
    if seat is None or not all(part.calibrated for part in (parts.base, *parts.adapters)):
        return None
    return apart(parts, seat, joints_term(1, bench_file, calibrations.get(JOINT)).u_um)


def _by_route(
    route: Route,
    bench_file: BenchFile,
    records: Records,
    setup: SetupDocument,
    calibrations: Mapping[str, CalibrationInForce],
    glass: RearGlass,
    scale: ScaleRecord | None,
    gap: ByGap | None,
) -> Chain:
    now = temperature_told(bench_file, setup)
    lens = records.lens(setup.lens) if setup.lens is not None else None
    base, adapters = route.base, route.adapters
    pairs = route.joints + (1 if lens is not None else 0)
    joints = joints_term(pairs, bench_file, calibrations.get(JOINT))

    arrangement = arrangement_of(bench_file).with_calibrations(calibrations)
    conjugate: ConjugateTerm | None = None
    gauged = _measured_through_cover(base, bench_file)
    optical = _flange_and_plates(bench_file, setup, lens, glass, gauged=gauged)
    if lens is not None:
        told = (lens, setup, bench_file) if gap is None else (gap.lens, gap.setup, gap.file)
        conjugate = arrangement.conjugate(*told)
        optical += [conjugate.term, *arrangement.terms(lens)]
    trim = ChainTerm("trim", setup.trim_um, 0.0, None, "normal", "operator")
    bounded = bounded_terms(bench_file, lens, route.seats, adapters, pairs)
    lengths = [base.as_term(), *(adapter.as_term() for adapter in adapters), joints]
    growths = [growth(rod.name, rod.length_um, rod.alpha_per_K, rod.at_C, now) for rod in route.rods]

    alpha_scale = None if scale is None else scale.alpha_per_K
    stands = Stands(
        -sum(term.value_um for term in [*lengths, *(part.term for part in growths)]) - bounded.value_um,
        None if lens is None else sum(term.value_um for term in optical),
        (alpha_scale or 0.0) * (now.at_C - REFERENCE_C),
        setup.trim_um,
        lens,
    )
    places = arrangement.places(stands)
    carriage = places.carriage_um(setup.trim_um)
    # A length measured by moving the target shares scale and gauge errors with its position; a fixed target does not.
    measured = adapters if arrangement.moves_target else ()
    zero_um = places.zero_um(route.zero_at_um)
    position: list[ChainTerm] = []
    by_carriage: CarriageTerms | None = None
    unmeasured: list[UnmeasuredTerm] = []
    if carriage is not None:
        slope = places.slope(carriage)
        if alpha_scale is None:
            unmeasured.append(UnmeasuredTerm("thermal scale", source="not stated"))
        else:
            growths.append(growth("scale", places.by_scale_um(carriage), alpha_scale, REFERENCE_C, now))
        by_carriage = CarriageTerms(bench_file, scale, zero_um, measured)
        position = by_carriage.position(carriage, slope)
        bounded = combined([bounded, by_carriage.tipping_at(carriage, slope)])

    used = {base.source: base, **{part.source: part for part in adapters}}
    cited = [source for source, part in used.items() if part.calibrated]
    if joints.kind == "A":
        cited.append(joints.source)
    cited += [] if scale is None or carriage is None else list(dict.fromkeys(scale.sources.values()))
    cited += [one for one in (glass.calibration, *(gap.calibrations if gap else ())) if one]
    if conjugate is not None:
        cited += conjugate.calibrations
    # Without a lens there is no position, and so no line of scale or carriage to hold the shared part; nor is there one
    # for tipping if the bench file does not state it (any more).
    by_moving = bool(position) and arrangement.moves_target
    own = [
        part.as_line(
            _shared_elsewhere(part.shares, by_moving=by_moving, abbe=bench_file.abbe is not None, gauged=gauged)
        )
        for part in (base, *adapters)
    ]
    by_gauge = gauge_terms(base, adapters) if by_moving else []
    by_place = places.lines(setup.trim_um)
    lines = [*optical, *own, joints, *bounded.lines, *by_gauge, thermal_budget(growths, now), *position, *by_place]
    budget = [term for term in lines if term.u_um > 0.0]
    optical = [*optical, trim]
    return Chain(
        terms=(*optical, *lengths, *bounded.terms, *(part.term for part in growths), *unmeasured, *position, *by_place),
        budget=tuple(budget),
        carriage_um=carriage,
        u_um=math.hypot(*(term.u_um for term in budget)),
        why_relative=(
            *chain_notes.why_relative(base, scale, bounded, conjugate),
            *([glass.why_relative] if glass.why_relative else []),
        ),
        notes=(
            *chain_notes.notes(
                bench_file, records, setup, [base, *adapters], conjugate, taken_back=alpha_scale is not None
            ),
            *bounded_notes(bounded),
            *position_notes(scale),
            *(note for note in (route.note, glass.note, gap.note if gap else "") if note),
        ),
        calibrations=tuple(cited),
        places=places,
        trim_um=setup.trim_um,
        conjugate=conjugate.term if conjugate else None,
        by_carriage=by_carriage,
        improves=arrangement.advice(),
        zero_um=zero_um,
        joints=max(1, pairs),
    )


def _measured_through_cover(base: Length, bench_file: BenchFile) -> bool:
    """Whether the base was measured through the cover that the bench file states; else u keeps the cover's share."""
    stated_um = cover_u_um(bench_file.target.cover)
    return base.shares.cover_um > 0.0 and math.isclose(base.shares.cover_um, stated_um, rel_tol=1e-6)


def _shared_elsewhere(shares: Shares, *, by_moving: bool, abbe: bool, gauged: bool) -> Shares:
    """The shares of a length's u that are held by other lines of the chain."""
    own = shares if gauged else replace(shares, cover_um=0.0)
    if not by_moving:
        return own.cover_only
    return own if abbe else replace(own, abbe_um=0.0)


def _flange_and_plates(
    bench_file: BenchFile, setup: SetupDocument, lens: Lens | None, glass: RearGlass, *, gauged: bool
) -> list[ChainTerm]:
    """Terms of the nominal depth of an image of infinity; `gauged`: the base was measured through the cover."""
    terms = []
    if lens is not None:
        flange = 1000.0 * bench_file.mounts[lens.mount].flange_depth_mm
        terms.append(ChainTerm("flange_depth", flange, 0.0, None, "normal", f"mount {lens.mount}, bench file"))
    terms += glass.terms
    source = f"target {bench_file.target.id}, bench file" if bench_file.target.cover else "no cover"
    terms.append(plates_term("target_cover", bench_file.target.cover, source, setup.light_nm, gauged=gauged))
    return terms


def published(chain: Chain) -> tuple[ChainTerm | UnmeasuredTerm, ...]:
    """The terms and, last, the carriage itself."""
    if chain.carriage_um is None:
        return chain.terms
    # From the uncertainty of the offset to that of the carriage position.
    u_um = chain.u_um / chain.places.slope(chain.carriage_um)
    total = ChainTerm("carriage", chain.carriage_um, u_um, None, "normal", chain.places.found_by)
    return (*chain.terms, total)


def with_chain(setup: SetupDocument, chain: Chain) -> SetupDocument:
    """The set-up document with its chain, as published."""
    stands = {"absolute": chain.absolute, "why_relative": chain.why_relative}
    return setup.model_copy(update={"chain": published(chain), **stands, "notes": chain.notes})
