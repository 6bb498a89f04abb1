"""The conjugate term: how much deeper the image lies than that of infinity. Functions shared by arrangements."""

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
"""Uncertainty of the gap between the principal planes of a lens whose record does not state it (common practice)."""

FOOT_MM = 304.8

STOP_IS_PART = "The place of the stop, at infinity or beyond, is part of the focus error."
MARK_IS_PART = "The error of the focus scale at that mark is part of the focus error."

AT_A_MARK = {
    "conjugate": "set the ring to infinity",
    "conjugate gap": "state principal_gap_mm with its u in the lens's record, or set the ring to infinity",
    "conjugate focal length": "state focal_length_mm closer in the lens's record, or set the ring to infinity",
}
"""Advice on the conjugate line with parallel light, which exists only with the ring at a mark."""

Uncertain = tuple[float, float]
"""A value and its standard uncertainty."""


@dataclass(frozen=True, slots=True)
class ConjugateTerm:
    """The term, a clause saying why findings are relative because of it (None if they are not), its notes, and the
    calibrations that it goes by."""

    term: ChainTerm
    why_relative: str | None
    notes: tuple[str, ...]
    calibrations: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LensInputs:
    """Focal length and gap between the principal planes (mm) as the record gives them."""

    f: Uncertain
    gap: Uncertain
    dof: Mapping[str, float | None]

    @classmethod
    def from_lens(cls, lens: Lens) -> LensInputs:
        f, gap = lens.focal_length_mm, lens.principal_gap_mm
        return cls(
            (f.value, f.u),
            (0.0, U_GAP_UNSTATED_MM) if gap is None else (gap.value, gap.u),
            {"focal length": f.dof, "gap": None if gap is None else gap.dof},
        )

    @property
    def named(self) -> dict[str, Uncertain]:
        """The two by their names in a budget."""
        return {"focal length": self.f, "gap": self.gap}

    def dof_for(self, parts: Sequence[Part]) -> float | None:
        """Degrees of freedom of a line with these parts, by Welch-Satterthwaite."""
        return effective_dof([part.u for part in parts], [self.dof.get(part.name) for part in parts])


def not_stated(why: str) -> ConjugateTerm:
    """The result for a term that is not known, with the reason `why`."""
    term = ChainTerm("conjugate", 0.0, 0.0, None, "normal", "not stated")
    sentence = f"{why[0].upper()}{why[1:]}, so the conjugate term is not known and findings are relative."
    return ConjugateTerm(term, why, (sentence,))


def decided_by_ring(ring: Ring | None) -> ConjugateTerm | None:
    """The result if the ring alone decides: free, or not stated; else None."""
    if ring == "free":
        return not_stated("the ring stands free")
    return not_stated("the ring's position is not stated") if ring is None else None


def note_hard_stop(found: ConjugateTerm, ring: Ring | None) -> ConjugateTerm:
    """The result with a note added if the ring is at its hard stop."""
    return replace(found, notes=(*found.notes, STOP_IS_PART)) if ring == "hard_stop" else found


def parallel_light(lens: Lens, setup: SetupDocument, *, light: str, source: str) -> ConjugateTerm:
    """The term for light from infinity: zero with the ring at infinity, -x'(mark) at a mark.

    `light` begins the note's sentence, `source` is the source in the budget. Raises Refused('wall_too_near') for a mark
    nearer than the lens can focus.
    """
    if (found := decided_by_ring(setup.ring)) is not None:
        return found
    if isinstance(setup.ring, RingMark) and setup.ring.mark != "inf":
        given = LensInputs.from_lens(lens)
        mark, unit, to_mark = engraved(lens, setup.ring.mark)
        with refuse_if_not_imaged(lens, "the mark", "Check the ring's mark and focal_length_mm of the lens."):
            value, parts = propagate(lambda f, h: -to_mark(f, h), given.named)
        u_um = math.hypot(*(part.u for part in parts))
        term = ChainTerm(
            "conjugate", 1000.0 * value, u_um, given.dof_for(parts), "normal", "mark engraved", parts=parts
        )
        note = f"Ring at the mark {mark:g} {unit}, {light[0].lower()}{light[1:]}: {term.value_um:.0f} µm of conjugate "
        return ConjugateTerm(term, None, (f"{note}shift taken off.", MARK_IS_PART))
    term = ChainTerm("conjugate", 0.0, 0.0, None, "normal", source)
    return note_hard_stop(ConjugateTerm(term, None, (f"{light}, ring at infinity: no conjugate shift.",)), setup.ring)


def engraved(lens: Lens, mark: float) -> tuple[float, str, Callable[[float, float], float]]:
    """A mark as engraved, its unit, and a function giving its x' (mm) from focal length and gap (mm)."""
    unit = lens.scale.unit if lens.scale else "m"
    mark_mm = mark * (FOOT_MM if unit == "ft" else 1000.0)
    return mark, unit, lambda f, gap: f * magnification(f, mark_mm, gap)


@contextmanager
def refuse_if_not_imaged(lens: Lens, what: str, check: str) -> Iterator[None]:
    """A context that turns ValueError (the lens cannot image this) into Refused('wall_too_near'); `check` is advice."""
    try:
        yield
    except ValueError as error:
        raise Refused(
            "wall_too_near",
            f"Lens {lens.id} cannot image {what}: {error}.",
            advice=check,
        ) from error


def propagate(function: Callable[..., float], inputs: Mapping[str, Uncertain]) -> tuple[float, tuple[Part, ...]]:
    """The value (mm) and the u by each input (um), by central differences over one u (JCGM 100, 5.1.3 note 2)."""
    values = [value for value, _ in inputs.values()]
    parts = []
    for index, (name, (value, u)) in enumerate(inputs.items()):
        if u > 0.0:
            above = function(*values[:index], value + u, *values[index + 1 :])
            below = function(*values[:index], value - u, *values[index + 1 :])
            parts.append(Part(name, 1000.0 * abs(above - below) / 2.0))
    return function(*values), tuple(parts)
