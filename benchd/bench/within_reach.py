"""Whether the carriage can come to nominal: for each lens of the drawer, on the adapters that lead up to its mount.

By the lengths that files give, before any calibration: a slip in base, travel or an adapter shows at once.
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
"""By how much glass and a wall that is near may bring nominal deeper; neither brings it nearer. A target that stands
fixed is built for what stands on the bench."""
MOST_ADAPTERS, MOST_STACKS = 3, 200
TWO_SIDED = 1.96
"""A lens at nominal itself is inside with 95 % only where this many u are (normal distribution)."""
COUNTED = 3.0
"""How many standard uncertainties of the base as given are allowed for."""


@dataclass(frozen=True, slots=True)
class Stand:
    """A lens on adapters, from the base up, and where the carriage would stand at nominal (um).

    `slope` is what an um of carriage is worth in depth there.
    """

    lens: Lens
    adapters: tuple[Adapter, ...]
    carriage_um: float
    slope: float
    glass: str | None = None

    @property
    def said(self) -> str:
        on = " on " + ", ".join(one.id for one in self.adapters) if self.adapters else ""
        before = f" with glass {self.glass}" if self.glass else ""
        return f"lens {self.lens.id}{on}{before}: carriage {self.carriage_um:.0f} µm"


class WithinReach:
    """Every way to stand a lens of the drawer on this bench, held against the carriage's travel."""

    def __init__(self, loaded: LoadedBench, spec: AxisSpec) -> None:
        self.loaded, self.spec = loaded, spec
        self.stands = [stand for lens in loaded.records.lenses.values() for stand in _stands(loaded, lens)]

    def problems(self) -> list[Problem]:
        """Those of the arrangement; one at the base's length, where no lens of the drawer comes within reach."""
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
        hint = f"; {suggestion[0]:g} is meant, a factor of 1000?" if suggestion else f"; nearest is {near.said}"
        return [self.loaded.source.problem(("base", "given", "length_um"), wrong + hint)]

    def notes(self, scale: ScaleRecord | None) -> list[str]:
        """Lenses and adapters that cannot be used together here; tolerances that no lens can be shown to meet."""
        found = []
        inside = [stand for stand in self.stands if self.reaches(stand)]
        travel = f"outside the travel of {self.spec.low:g} to {self.spec.high:g} µm"
        for lens in {stand.lens.id: stand.lens for stand in self.stands}.values():
            if not any(stand.lens is lens for stand in inside):
                least = min((one for one in self.stands if one.lens is lens), key=self._beyond)
                found.append(f"Nominal of every stand of this lens lies {travel}; the nearest is {least.said}.")
        for adapter in {one.id: one for stand in self.stands for one in stand.adapters}.values():
            if not any(adapter in stand.adapters for stand in inside):
                least = min((one for one in self.stands if adapter in one.adapters), key=self._beyond)
                found.append(
                    f"With adapter {adapter.id} nominal of every lens lies {travel}; the nearest is {least.said}."
                )
        return [*found, *self._pairs(inside, travel), *self._hopeless(inside, scale)]

    def _pairs(self, inside: Sequence[Stand], travel: str) -> list[str]:
        """A lens and an adapter that are of use, each, but not together unless others are put between.

        Of two that need others in any case, to come from the seat to the mount, the stands with the fewest count.
        """
        found = []
        for lens in {stand.lens.id: stand.lens for stand in inside}.values():
            for adapter in {one.id: one for stand in inside for one in stand.adapters}.values():
                both = [stand for stand in self.stands if stand.lens is lens and adapter in stand.adapters]
                fewest = min((len(stand.adapters) for stand in both), default=0)
                plain = [stand for stand in both if len(stand.adapters) == fewest]
                if plain and not any(self.reaches(stand) for stand in plain):
                    least = min(plain, key=self._beyond)
                    found.append(f"Nominal of {least.said}, {travel}.")
        return found

    def _hopeless(self, inside: Sequence[Stand], scale: ScaleRecord | None) -> list[str]:
        found = []
        for stand in {stand.lens.id: stand for stand in reversed(inside)}.values():
            tolerance = stand.lens.tolerance
            u = _u_of_parts(self.loaded, stand, scale)
            if tolerance is not None and u is not None and TWO_SIDED * u > tolerance.flange_um:
                found.append(
                    f"Lens {stand.lens.id} may be {tolerance.flange_um:g} µm off nominal; without base, wall and "
                    f"temperature the chain is known to u = {u:.1f} µm, so that no lens could be shown to be inside."
                )
        return found

    def reaches(self, stand: Stand) -> bool:
        """Whether the carriage comes to nominal, as far as files can say."""
        return self._beyond(stand) <= COUNTED * self.loaded.file.base.given.u_um

    def _beyond(self, stand: Stand) -> float:
        """How much of depth is missing (um)."""
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
    """With the base as given, or as long as `base_um`."""
    file = loaded.file
    arranged = arrangement_of(file)
    base_um = file.base.given.length_um if base_um is None else base_um
    bare_um = 1000.0 * file.mounts[lens.mount].flange_depth_mm
    bare_um += plates_term("target_cover", file.target.cover, "", None).value_um
    # What a carriage has to spare for a plate a target that stands fixed has not: it is built for one, or for none.
    glasses = [None, *(() if arranged.moves_target else loaded.records.glasses.values())]
    for number, stack in enumerate(_stacks(loaded, (), file.seat, lens.mount)):
        if number == MOST_STACKS:
            return
        depth_um = base_um + sum(one.given.length_um for one in stack)
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


def _u_of_parts(loaded: LoadedBench, stand: Stand, scale: ScaleRecord | None) -> float | None:
    """Of everything in the chain but the base, the wall and the temperature, which are not the files' to say."""
    stated = {"lens": stand.lens.id, "adapters": [one.id for one in stand.adapters]}
    try:
        setup = apply(first_setup(loaded.file), stated, loaded.records, loaded.file)
        chain = datum_chain(loaded.file, loaded.records, setup, {}, scale)
    except Refused:
        return None
    return math.hypot(*(term.u_um for term in chain.budget if term.term not in ("base", "conjugate", "thermal")))
