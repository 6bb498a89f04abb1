"""The conjugate term of the datum chain: arrangement, wall, ring and lens in, one term and one sentence out."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from benchd.bench.chain_terms import ChainTerm
from benchd.bench.setup import RingMark, SetupDocument
from benchd.errors import Refused
from benchd.files.artefacts import Lens
from benchd.files.bench_file import BenchFile
from benchd.metrology.budget import Part, effective_dof
from benchd.metrology.rounding import rounded
from benchd.optics.conjugate import best_conjugate, magnification, magnification_with_u

U_GAP_UNSTATED_MM = 10.0
"""Doubt of the gap between the principal planes of a lens whose record does not state it (common practice)."""

CONTRADICTION_TIMES_U = 3.0
"""From so many combined standard uncertainties on, two statements are not both believed (common practice, no source):
by chance alone one set-up in 370 of normal errors goes so far."""

CONTRADICT = "the distance to the wall and m contradict each other"

FOOT_MM = 304.8

STOP_IS_PART = "The place of the stop, at infinity or beyond, is part of the focus error."
VERGENCE_NOT_STATED = (
    "Vergence of the collimator not stated (`collimator: {u_vergence_per_m}` in the bench file): it is taken as zero."
)

_ROUTES = {"m": "m measured", "distance": "distance and focal length", "m and distance": "m and distance measured"}


@dataclass(frozen=True, slots=True)
class ConjugateTerm:
    """The term, the clause that says why findings by it are relative (None where they are not), and its sentences."""

    term: ChainTerm
    why_relative: str | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Inputs:
    """Values with standard uncertainties, mm; `m` is plain."""

    f: tuple[float, float]
    gap: tuple[float, float]
    distance: tuple[float, float] | None
    m: tuple[float, float] | None
    dof: Mapping[str, float | None]

    def dof_of(self, parts: Sequence[Part]) -> float | None:
        """Degrees of freedom of a line with these parts, by Welch-Satterthwaite."""
        return effective_dof([part.u for part in parts], [self.dof.get(part.name) for part in parts])


def conjugate_term(bench_file: BenchFile, lens: Lens, setup: SetupDocument) -> ConjugateTerm:
    """The term for this lens and set-up. Raises Refused('wall_too_near') where no image of the wall can form."""
    if setup.ring is None or setup.ring == "free":
        return _not_stated("the ring stands free" if setup.ring == "free" else "the ring's position is not stated")
    gap = lens.principal_gap_mm
    given = _Inputs(
        f=(lens.focal_length_mm.value, lens.focal_length_mm.u),
        gap=(gap.value, gap.u) if gap is not None else (0.0, U_GAP_UNSTATED_MM),
        distance=None if setup.distance_mm is None else (setup.distance_mm, bench_file.set_up.u_distance_mm),
        m=None if setup.m is None else (setup.m.value, setup.m.u),
        dof={"focal length": lens.focal_length_mm.dof, "gap": gap.dof if gap is not None else None},
    )
    if bench_file.arrangement == "collimated":
        given = replace(given, distance=None, m=None)
    elif given.distance is None and given.m is None:
        return _not_stated("the distance to the wall is not stated")
    try:
        if isinstance(setup.ring, RingMark) and setup.ring.mark != "inf":
            found = _at_mark(given, setup.ring.mark, lens, bench_file.arrangement)
        else:
            found = _at_infinity(given, setup, bench_file.arrangement)
        contradiction = _contradiction(given, lens)
    except ValueError as error:
        raise Refused(
            "wall_too_near",
            f"Lens {lens.id} cannot image the wall or the mark: {error}.",
            advice="Check distance_mm, the ring's mark and focal_length_mm of the lens.",
        ) from error
    if contradiction:
        found = replace(found, why_relative=CONTRADICT, notes=(*found.notes, contradiction))
    if setup.ring == "hard_stop":
        found = replace(found, notes=(*found.notes, STOP_IS_PART))
    return _collimated(found, bench_file, given) if bench_file.arrangement == "collimated" else found


def _collimated(found: ConjugateTerm, bench_file: BenchFile, given: _Inputs) -> ConjugateTerm:
    """With what is left of the vergence of the collimator's light: the image lies f^2 times it off (Newton)."""
    if bench_file.collimator is None:
        return replace(found, notes=(*found.notes, VERGENCE_NOT_STATED))
    u_um = given.f[0] ** 2 * bench_file.collimator.u_vergence_per_m  # mm^2 / m is um
    source = "collimator, bench file" if found.term.u_um <= u_um else found.term.source
    parts = (*found.term.parts, Part("collimator", u_um))
    u_both = math.hypot(found.term.u_um, u_um)
    term = replace(found.term, u_um=u_both, dof=given.dof_of(parts), source=source, parts=parts)
    return replace(found, term=term)


def _not_stated(why: str) -> ConjugateTerm:
    term = ChainTerm("conjugate", 0.0, 0.0, None, "normal", "not stated")
    sentence = f"{why[0].upper()}{why[1:]}, so the conjugate term is not known and findings are relative."
    return ConjugateTerm(term, why, (sentence,))


def _contradiction(given: _Inputs, lens: Lens) -> str | None:
    """The sentence where m as stated is not the m that distance, focal length and gap ask for; None where it may be.

    Four quantities, one equation between them: there is one thing to check, however many routes. The routes share
    quantities, so m is held against what has none of its doubt, and not one route against another.
    """
    if given.m is None or given.distance is None:
        return None
    (f, u_f), (gap, u_gap), (distance, u_distance), (m, u_m) = given.f, given.gap, given.distance, given.m
    expected, u_expected = magnification_with_u(distance, u_distance, f, u_f, gap, u_gap)
    times_u = abs(m - expected) / math.hypot(u_m, u_expected)
    if times_u <= CONTRADICTION_TIMES_U:
        return None
    shifts_um = [1000.0 * shift for shift in (f * m, f * expected, (distance - gap) * (m / (1.0 + m)) ** 2)]
    (stated, u_stated), (other, u_other) = rounded(m, u_m), rounded(expected, u_expected)
    return (
        f"{CONTRADICT[0].upper()}{CONTRADICT[1:]}: m is stated as {stated} (u = {u_stated}), but {distance:g} mm and a "
        f"focal length of {f:g} mm ask for {other} (u = {u_other}), {times_u:.1f} times their combined u away; by what "
        f"is believed, the shift of the wall is {min(shifts_um):.0f} to {max(shifts_um):.0f} µm. Measure distance_mm "
        f"by tape and m again, check focal_length_mm and its u in the record of {lens.id} (what is engraved deserves "
        "1 %) and where the ring stands. Until they agree findings are relative."
    )


def _at_infinity(given: _Inputs, setup: SetupDocument, arrangement: str) -> ConjugateTerm:
    if arrangement == "collimated":
        term = ChainTerm("conjugate", 0.0, 0.0, None, "normal", "collimated")
        return ConjugateTerm(term, None, ("Collimated light, ring at infinity: no conjugate shift.",))
    best = best_conjugate(
        focal_length_mm=given.f[0],
        u_focal_length_mm=given.f[1],
        distance_mm=given.distance[0] if given.distance else None,
        u_distance_mm=given.distance[1] if given.distance else 0.0,
        gap_mm=given.gap[0],
        u_gap_mm=given.gap[1],
        m=given.m[0] if given.m else None,
        u_m=given.m[1] if given.m else 0.0,
    )
    parts = tuple(Part(name.replace("_", " "), u_um) for name, u_um in best.contributions.items())
    term = ChainTerm("conjugate", best.x_um, best.u_um, given.dof_of(parts), "normal", _ROUTES[best.route], parts=parts)
    ring = "Ring at its hard stop" if setup.ring == "hard_stop" else "Ring at infinity"
    note = f"{ring}, {_wall(given)}: {best.x_um:.0f} µm of conjugate shift taken off."
    return ConjugateTerm(term, None, (note,))


def _at_mark(given: _Inputs, mark: float, lens: Lens, arrangement: str) -> ConjugateTerm:
    """x'(T) - x'(s). Focal length and gap stand in both, so their shares partly cancel and are added with sign."""
    unit = lens.scale.unit if lens.scale else "m"
    mark_mm = mark * (FOOT_MM if unit == "ft" else 1000.0)

    def to_mark(f: float, gap: float) -> float:
        return f * magnification(f, mark_mm, gap)

    lens_inputs = {"focal length": given.f, "gap": given.gap}
    routes: list[tuple[str, Callable[..., float], dict[str, tuple[float, float]]]] = []
    if given.m is not None:
        routes.append(("m", lambda f, h, m: f * m - to_mark(f, h), lens_inputs | {"m": given.m}))
    if given.distance is not None:
        inputs = lens_inputs | {"distance": given.distance}
        routes.append(("distance", lambda f, h, t: f * magnification(f, t, h) - to_mark(f, h), inputs))
    if given.m is not None and given.distance is not None:
        inputs = lens_inputs | {"distance": given.distance, "m": given.m}
        routes.append(("m and distance", lambda f, h, t, m: (t - h) * (m / (1.0 + m)) ** 2 - to_mark(f, h), inputs))
    if arrangement == "collimated":
        routes = [("mark", lambda f, h: -to_mark(f, h), lens_inputs)]
    found = [(name, *_propagated(function, inputs)) for name, function, inputs in routes]
    source, value, parts = min(found, key=lambda one: math.hypot(*(part.u for part in one[2])))
    u_um = math.hypot(*(part.u for part in parts))
    route = _ROUTES.get(source, "mark engraved")
    term = ChainTerm("conjugate", 1000.0 * value, u_um, given.dof_of(parts), "normal", route, parts=parts)
    object_side = "collimated light" if arrangement == "collimated" else _wall(given)
    note = f"Ring at the mark {mark:g} {unit}, {object_side}: {term.value_um:.0f} µm of conjugate shift taken off."
    mixed = "The error of the focus scale at that mark is part of the focus error."
    return ConjugateTerm(term, None, (note, mixed))


def _propagated(
    function: Callable[..., float], inputs: Mapping[str, tuple[float, float]]
) -> tuple[float, tuple[Part, ...]]:
    """The value (mm) and what each input adds (um), by central differences over one u (JCGM 100, 5.1.3 note 2)."""
    values = [value for value, _ in inputs.values()]
    parts = []
    for index, (name, (value, u)) in enumerate(inputs.items()):
        if u > 0.0:
            above = function(*values[:index], value + u, *values[index + 1 :])
            below = function(*values[:index], value - u, *values[index + 1 :])
            parts.append(Part(name, 1000.0 * abs(above - below) / 2.0))
    return function(*values), tuple(parts)


def _wall(given: _Inputs) -> str:
    return f"wall at {given.distance[0] / 1000.0:.1f} m" if given.distance else "wall by its magnification"


def wall_too_near(conjugate: ChainTerm, low_um: float, high_um: float, least_p: float = 0.95) -> str | None:
    """The sentence where the conjugate term alone keeps even a perfect lens from passing, else None.

    The best that could be measured is the middle of the tolerance; JCGM 106 then gives a probability of conformity
    of erf(half-width / (sqrt(2) u)).
    """
    half_width, u_um = (high_um - low_um) / 2.0, conjugate.u_um
    if u_um <= 0.0 or math.erf(half_width / (math.sqrt(2.0) * u_um)) >= least_p:
        return None
    worst = max(conjugate.parts, key=lambda part: part.u, default=None)
    most = f" Most of it is the {worst.name}, u = {worst.u:.1f} µm." if worst and len(conjugate.parts) > 1 else ""
    return (
        f"Wall too near: the conjugate term alone has u = {u_um:.1f} µm, and with a tolerance of "
        f"{low_um:+g} to {high_um:+g} µm not even a perfect lens could pass.{most} "
        "Collimate, set the ring to the wall, or measure that better."
    )
