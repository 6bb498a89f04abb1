"""Whether the carriage can reach nominal: for each lens on record, on the adapters that fit between seat and mount.

Uses the lengths given in files, before any calibration, so that an error in base, travel or an adapter shows at once.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from benchd.arrangements.arrangement import Stands
from benchd.arrangements.registry import arrangement_of
from benchd.arrangements.setup_document import apply, first_setup
from benchd.bench.datum.chain import ScaleRecord, datum_chain
from benchd.bench.datum.chain_terms import glass_term, plates_term
from benchd.devices import AxisSpec
from benchd.errors import Refused
from benchd.files.artefacts import Adapter, Lens
from benchd.files.bounds import THOUSAND
from benchd.files.loading import LoadedBench
from benchd.files.problems import Problem

SPARE_UM = 3000.0
"""How much deeper glass and a near wall may bring nominal; neither brings it nearer. Not allowed for with a fixed
target, which is positioned for the glass in use."""
MOST_ADAPTERS, MOST_STACKS = 3, 200
TWO_SIDED = 1.96
"""A lens at nominal itself is inside with 95 % only where this many u are (normal distribution)."""
BASE_COVERAGE = 3.0
"""Number of standard uncertainties of the given base length that are allowed for."""


@dataclass(frozen=True, slots=True)
class Stand:
    """A lens on adapters, from the base up, and the carriage position of nominal (um).

    `slope` is the change of depth per um of carriage there.
    """

    lens: Lens
    adapters: tuple[Adapter, ...]
    carriage_um: float
    slope: float
    glass: str | None = None

    @property
    def in_words(self) -> str:
        on = " on " + ", ".join(adapter.id for adapter in self.adapters) if self.adapters else ""
        before = f" with glass {self.glass}" if self.glass else ""
        return f"lens {self.lens.id}{on}{before}: carriage {self.carriage_um:.0f} µm"


class WithinReach:
    """Every combination of lens and adapters on this bench, compared with the carriage's travel."""

    def __init__(self, loaded: LoadedBench, spec: AxisSpec) -> None:
        self.loaded, self.spec = loaded, spec
        self.stands = [stand for lens in loaded.records.lenses.values() for stand in _stands(loaded, lens)]

    def problems(self) -> list[Problem]:
        """Problems of the arrangement; else one at the base's length, if no lens is within reach."""
        travel_um = self.spec.low, self.spec.high
        if found := arrangement_of(self.loaded.file).problems(self.loaded, travel_um):
            return found
        if not self.stands or any(self.reaches(stand) for stand in self.stands):
            return []
        given = self.loaded.file.base.given.length_um
        near = min(self.stands, key=self._beyond)
        wrong = (
            f"a length with which nominal of some lens lies in the travel of {self.spec.low:g} to {self.spec.high:g} µm"
        )
        suggestion = [
            other for other in (given * THOUSAND, given / THOUSAND) if abs(other) > SPARE_UM and self._with_base(other)
        ]
        hint = f"; {suggestion[0]:g} is meant, a factor of 1000?" if suggestion else f"; nearest is {near.in_words}"
        return [self.loaded.source.problem(("base", "given", "length_um"), wrong + hint)]

    def notes(self, scale: ScaleRecord | None) -> list[str]:
        """Notes on lenses and adapters that cannot be used together, and on tolerances too tight for this bench."""
        found = []
        inside = [stand for stand in self.stands if self.reaches(stand)]
        travel = f"outside the travel of {self.spec.low:g} to {self.spec.high:g} µm"
        for lens in {stand.lens.id: stand.lens for stand in self.stands}.values():
            if not any(stand.lens is lens for stand in inside):
                least = min((stand for stand in self.stands if stand.lens is lens), key=self._beyond)
                found.append(f"Nominal of every stand of this lens lies {travel}; the nearest is {least.in_words}.")
        for adapter in {adapter.id: adapter for stand in self.stands for adapter in stand.adapters}.values():
            if not any(adapter in stand.adapters for stand in inside):
                least = min((stand for stand in self.stands if adapter in stand.adapters), key=self._beyond)
                found.append(
                    f"With adapter {adapter.id} nominal of every lens lies {travel}; the nearest is {least.in_words}."
                )
        return [*found, *self._pairs(inside, travel), *self._too_tight(inside, scale)]

    def _pairs(self, inside: Sequence[Stand], travel: str) -> list[str]:
        """Notes on a lens and an adapter that are each usable, but not together without further adapters.

        If the two need further adapters in any case, only the stands with the fewest adapters are considered.
        """
        found = []
        for lens in {stand.lens.id: stand.lens for stand in inside}.values():
            for adapter in {adapter.id: adapter for stand in inside for adapter in stand.adapters}.values():
                both = [stand for stand in self.stands if stand.lens is lens and adapter in stand.adapters]
                fewest = min((len(stand.adapters) for stand in both), default=0)
                plain = [stand for stand in both if len(stand.adapters) == fewest]
                if plain and not any(self.reaches(stand) for stand in plain):
                    least = min(plain, key=self._beyond)
                    found.append(f"Nominal of {least.in_words}, {travel}.")
        return found

    def _too_tight(self, inside: Sequence[Stand], scale: ScaleRecord | None) -> list[str]:
        found = []
        for stand in {stand.lens.id: stand for stand in reversed(inside)}.values():
            tolerance = stand.lens.tolerance
            u = _u_without_base(self.loaded, stand, scale)
            if tolerance is not None and u is not None and TWO_SIDED * u > tolerance.flange_um:
                found.append(
                    f"Lens {stand.lens.id} may be {tolerance.flange_um:g} µm off nominal; without base, wall and "
                    f"temperature the chain is known to u = {u:.1f} µm, so that no lens could be shown to be inside."
                )
        return found

    def reaches(self, stand: Stand) -> bool:
        """Whether the carriage reaches nominal, as far as the files can say."""
        return self._beyond(stand) <= BASE_COVERAGE * self.loaded.file.base.given.u_um

    def _beyond(self, stand: Stand) -> float:
        """Missing depth (um)."""
        below, above = self.spec.low - stand.carriage_um, stand.carriage_um - self.spec.high
        spare_um = SPARE_UM if arrangement_of(self.loaded.file).moves_target else 0.0
        return max(stand.slope * below - spare_um, stand.slope * above, 0.0)

    def _with_base(self, length_um: float) -> bool:
        return any(
            self.reaches(stand)
            for lens in self.loaded.records.lenses.values()
            for stand in _stands(self.loaded, lens, length_um)
        )


def _stands(loaded: LoadedBench, lens: Lens, base_um: float | None = None) -> Iterator[Stand]:
    """All stands of a lens, with the base as given, or as long as `base_um`."""
    file = loaded.file
    arranged = arrangement_of(file)
    base_um = file.base.given.length_um if base_um is None else base_um
    bare_um = 1000.0 * file.mounts[lens.mount].flange_depth_mm
    bare_um += plates_term("target_cover", file.target.cover, "", None).value_um
    # A moving target can follow the focal shift of a plate; a fixed one is positioned for one plate, or for none.
    glasses = [None, *(() if arranged.moves_target else loaded.records.glasses.values())]
    for number, stack in enumerate(_stacks(loaded, (), file.seat, lens.mount)):
        if number == MOST_STACKS:
            return
        depth_um = base_um + sum(adapter.given.length_um for adapter in stack)
        for glass in glasses:
            behind_um = 0.0 if glass is None else glass_term(glass, None).value_um
            places = arranged.places(Stands(depth_um, bare_um + behind_um, 0.0, 0.0, lens))
            carriage_um = places.carriage_um(0.0)
            if carriage_um is not None:
                slope = places.slope(carriage_um) if math.isfinite(carriage_um) else 1.0
                yield Stand(lens, stack, carriage_um, slope, None if glass is None else glass.id)


def _stacks(loaded: LoadedBench, below: tuple[Adapter, ...], seat: str, mount: str) -> Iterator[tuple[Adapter, ...]]:
    if seat == mount:
        yield below
    if len(below) < MOST_ADAPTERS:
        for adapter in loaded.records.adapters.values():
            if adapter.seat_below == seat and adapter not in below:
                yield from _stacks(loaded, (*below, adapter), adapter.seat_above, mount)


def _u_without_base(loaded: LoadedBench, stand: Stand, scale: ScaleRecord | None) -> float | None:
    """Standard uncertainty of the chain without base, wall and temperature, which the files do not determine."""
    stated = {"lens": stand.lens.id, "adapters": [adapter.id for adapter in stand.adapters]}
    try:
        setup = apply(first_setup(loaded.file), stated, loaded.records, loaded.file)
        chain = datum_chain(loaded.file, loaded.records, setup, {}, scale)
    except Refused:
        return None
    return math.hypot(*(term.u_um for term in chain.budget if term.term not in ("base", "conjugate", "thermal")))
