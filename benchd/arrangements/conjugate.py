"""The conjugate term: how much deeper the image lies than that of infinity with the ring there. What is shared."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

from benchd.arrangements.setup_document import Ring, RingMark, SetupDocument
from benchd.errors import Refused
from benchd.files.artefacts import Lens
from benchd.metrology.budget import Part, effective_dof
from benchd.metrology.chain_term import ChainTerm
from benchd.optics.conjugate import magnification

U_GAP_UNSTATED_MM = 10.0
"""Doubt of the gap between the principal planes of a lens whose record does not state it (common practice)."""

FOOT_MM = 304.8

STOP_IS_PART = "The place of the stop, at infinity or beyond, is part of the focus error."
MARK_IS_PART = "The error of the focus scale at that mark is part of the focus error."

AT_A_MARK = {
    "conjugate": "set the ring to infinity",
    "conjugate gap": "state principal_gap_mm with its u in the lens's record, or set the ring to infinity",
    "conjugate focal length": "state focal_length_mm closer in the lens's record, or set the ring to infinity",
}
"""What improves the conjugate line of parallel light, which but at a mark there is none of."""

Uncertain = tuple[float, float]
"""A value and its standard uncertainty."""


@dataclass(frozen=True, slots=True)
class ConjugateTerm:
    """The term, the clause that says why findings by it are relative (None where they are not), and its sentences."""

    term: ChainTerm
    why_relative: str | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LensInputs:
    """Focal length and gap between the principal planes (mm) as the record gives them."""

    f: Uncertain
    gap: Uncertain
    dof: Mapping[str, float | None]

    @classmethod
    def of(cls, lens: Lens) -> LensInputs:
        f, gap = lens.focal_length_mm, lens.principal_gap_mm
        return cls(
            (f.value, f.u),
            (0.0, U_GAP_UNSTATED_MM) if gap is None else (gap.value, gap.u),
            {"focal length": f.dof, "gap": None if gap is None else gap.dof},
        )

    @property
    def named(self) -> dict[str, Uncertain]:
        """By the names of their parts in a budget."""
        return {"focal length": self.f, "gap": self.gap}

    def dof_of(self, parts: Sequence[Part]) -> float | None:
        """Degrees of freedom of a line with these parts, by Welch-Satterthwaite."""
        return effective_dof([part.u for part in parts], [self.dof.get(part.name) for part in parts])


def not_stated(why: str) -> ConjugateTerm:
    """Of a term that nobody can say."""
    term = ChainTerm("conjugate", 0.0, 0.0, None, "normal", "not stated")
    sentence = f"{why[0].upper()}{why[1:]}, so the conjugate term is not known and findings are relative."
    return ConjugateTerm(term, why, (sentence,))


def of_the_ring(ring: Ring | None) -> ConjugateTerm | None:
    """Where the ring says all: free, or not stated; else None."""
    if ring == "free":
        return not_stated("the ring stands free")
    return not_stated("the ring's position is not stated") if ring is None else None


def at_the_stop(found: ConjugateTerm, ring: Ring | None) -> ConjugateTerm:
    """With what stands at the ring's stop."""
    return replace(found, notes=(*found.notes, STOP_IS_PART)) if ring == "hard_stop" else found


def parallel_light(lens: Lens, setup: SetupDocument, *, light: str, source: str) -> ConjugateTerm:
    """With light from infinity: none with the ring there, -x'(mark) at a mark.

    `light` begins a sentence, `source` says where it comes from. Raises Refused('wall_too_near') for a mark that is
    nearer than the lens can focus.
    """
    if (found := of_the_ring(setup.ring)) is not None:
        return found
    if isinstance(setup.ring, RingMark) and setup.ring.mark != "inf":
        given = LensInputs.of(lens)
        mark, unit, to_mark = engraved(lens, setup.ring.mark)
        with imaged(lens, "the mark", "Check the ring's mark and focal_length_mm of the lens."):
            value, parts = propagated(lambda f, h: -to_mark(f, h), given.named)
        u_um = math.hypot(*(part.u for part in parts))
        term = ChainTerm("conjugate", 1000.0 * value, u_um, given.dof_of(parts), "normal", "mark engraved", parts=parts)
        note = f"Ring at the mark {mark:g} {unit}, {light[0].lower()}{light[1:]}: {term.value_um:.0f} µm of conjugate "
        return ConjugateTerm(term, None, (f"{note}shift taken off.", MARK_IS_PART))
    term = ChainTerm("conjugate", 0.0, 0.0, None, "normal", source)
    return at_the_stop(ConjugateTerm(term, None, (f"{light}, ring at infinity: no conjugate shift.",)), setup.ring)


def engraved(lens: Lens, mark: float) -> tuple[float, str, Callable[[float, float], float]]:
    """A mark as engraved, its unit, and x' of it (mm) from focal length and gap (mm)."""
    unit = lens.scale.unit if lens.scale else "m"
    mark_mm = mark * (FOOT_MM if unit == "ft" else 1000.0)
    return mark, unit, lambda f, gap: f * magnification(f, mark_mm, gap)


@contextmanager
def imaged(lens: Lens, what: str, check: str) -> Iterator[None]:
    """A block in which what a lens cannot image (ValueError) is refused ('wall_too_near'); `check` is advice."""
    try:
        yield
    except ValueError as error:
        raise Refused(
            "wall_too_near",
            f"Lens {lens.id} cannot image {what}: {error}.",
            advice=check,
        ) from error


def propagated(function: Callable[..., float], inputs: Mapping[str, Uncertain]) -> tuple[float, tuple[Part, ...]]:
    """The value (mm) and what each input adds (um), by central differences over one u (JCGM 100, 5.1.3 note 2)."""
    values = [value for value, _ in inputs.values()]
    parts = []
    for index, (name, (value, u)) in enumerate(inputs.items()):
        if u > 0.0:
            above = function(*values[:index], value + u, *values[index + 1 :])
            below = function(*values[:index], value - u, *values[index + 1 :])
            parts.append(Part(name, 1000.0 * abs(above - below) / 2.0))
    return function(*values), tuple(parts)
