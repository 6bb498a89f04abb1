"""A lit target on the carriage, projected onto a wall: the image of the wall lies deeper than that of infinity."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from benchd.arrangements.arrangement import Arrangement
from benchd.arrangements.conjugate import (
    MARK_IS_PART,
    ConjugateTerm,
    LensInputs,
    Uncertain,
    decided_by_ring,
    engraved,
    not_stated,
    note_hard_stop,
    propagate,
    refuse_if_not_imaged,
)
from benchd.arrangements.setup_document import Magnification, RingMark, SetupDocument
from benchd.errors import Refused
from benchd.files import known_to
from benchd.files.artefacts import Lens
from benchd.files.bench_file import BenchFile
from benchd.metrology.budget import Part
from benchd.metrology.chain_term import ChainTerm
from benchd.metrology.rounding import rounded
from benchd.optics.conjugate import best_conjugate, magnification, magnification_with_u

CONTRADICTION_TIMES_U = 3.0
"""Two statements that differ by more combined standard uncertainties than this contradict each other (common practice,
no source): with normal errors one set-up in 370 does so by chance."""

OUT_OF_FOCUS = "m out of focus"
FARTHER_APART = "tell m by `magnification`, from marks farther apart, a longer strip, or by a finer rule, or collimate"
CONTRADICT = "the distance to the wall and m contradict each other"

_ROUTES = {"m": "m measured", "distance": "distance and focal length", "m and distance": "m and distance measured"}


@dataclass(frozen=True, slots=True)
class _Wall:
    """Distance (mm) and magnification of the wall, each with its u, None if not stated."""

    distance: Uncertain | None
    m: Uncertain | None

    @property
    def in_words(self) -> str:
        return f"wall at {self.distance[0] / 1000.0:.1f} m" if self.distance else "wall by its magnification"


class Wall(Arrangement):
    """See the module docstring."""

    name = "wall"
    stands = "target on the carriage, the eye or a camera at the wall"
    goes_by = ("distance_mm", "m")
    cannot_tell = (
        "Of a zoom: an error that goes with the square of the focal length from an error of the distance to the wall.",
    )
    improves: ClassVar = {
        "conjugate": "collimate",
        "conjugate m": "stick two marks on the wall, far apart, state marks_apart_mm in the bench file, and have "
        "`magnification` tell m, as next_lens does; or collimate",
        "conjugate m out of focus": "shim the lens as advised and run shim_proof: m is told anew, nearer focus",
        "conjugate gap": "run two_walls with a lens of this model, at this wall, ring at infinity, or collimate",
        "conjugate distance": "measure the distance to the wall better and state u_distance_mm in the bench file",
        "conjugate focal length": "measure m too, by `magnification` or by tape: with it and the distance no focal "
        "length enters while the ring is at infinity; or collimate",
    }

    class Config(Arrangement.Config):
        """What of known length is on the wall, beside the square in the camera's picture: two dark round marks and how
        far apart, or one strip of dark bars and its pitch, each with its u; and the relative u by which the camera's
        lens draws that way too long or too short against the square in the middle."""

        marks_apart_mm: Annotated[float, Field(gt=0.0, le=20_000.0)] | None = None
        u_marks_apart_mm: known_to.OfRule | None = None
        mark_pitch_mm: Annotated[float, Field(gt=0.0, le=2_000.0)] | None = None
        u_mark_pitch_mm: known_to.OfMarkPitch | None = None
        u_distortion: known_to.OfDistortion | None = None

        @model_validator(mode="after")
        def _together(self) -> Self:
            marks, pitch = (self.marks_apart_mm, self.u_marks_apart_mm), (self.mark_pitch_mm, self.u_mark_pitch_mm)
            if marks != (None, None) and pitch != (None, None):
                raise ValueError(
                    "either two marks ('marks_apart_mm', 'u_marks_apart_mm') or one strip of bars ('mark_pitch_mm', "
                    "'u_mark_pitch_mm') tell the magnification: state the one that hangs on the wall"
                )
            one = ("mark_pitch_mm", pitch) if pitch != (None, None) else ("marks_apart_mm", marks)
            if len({value is None for value in (*one[1], self.u_distortion)}) != 1:
                raise ValueError(
                    f"'{one[0]}', 'u_{one[0]}' and 'u_distortion' go together: the last is the share by which the "
                    "camera's lens may draw that way on the wall too long against the square in the middle, 0.003 for "
                    "an ordinary lens that nobody has looked into"
                )
            return self

    config: Config

    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        if (found := decided_by_ring(setup.ring)) is not None:
            return found
        u_distance_mm = file.u_distance_mm("distance_mm" in setup.told_by)
        wall = _Wall(
            None if setup.distance_mm is None else (setup.distance_mm, u_distance_mm),
            None if setup.m is None else (setup.m.value, setup.m.u),
        )
        if wall.distance is None and wall.m is None:
            return not_stated("the distance to the wall is not stated")
        given = LensInputs.from_lens(lens)
        check = "Check distance_mm, the ring's mark and focal_length_mm of the lens."
        with refuse_if_not_imaged(lens, "the wall or the mark", check):
            if isinstance(setup.ring, RingMark) and setup.ring.mark != "inf":
                found = _at_mark(given, wall, setup.ring.mark, lens)
            else:
                found = _at_infinity(given, wall, setup)
            found = replace(found, term=_out_of_focus(found.term, setup.m))
            contradiction = _contradiction(given, wall, lens)
        if contradiction:
            found = replace(found, why_relative=CONTRADICT, notes=(*found.notes, contradiction))
        return note_hard_stop(found, setup.ring)

    def advice(self) -> Mapping[str, str]:
        if self.config.marks_apart_mm is None and self.config.mark_pitch_mm is None:
            return self.improves
        return {**self.improves, "conjugate m": FARTHER_APART}

    def check_set_up(self, setup: SetupDocument, lens: Lens | None) -> None:
        super().check_set_up(setup, lens)
        if lens is not None and lens.squeeze != 1.0 and setup.ring in ("hard_stop", "infinity"):
            raise Refused(
                "bad_request",
                f"Lens {lens.id} is anamorphic: on a near wall with the ring at {setup.ring} its two focal lengths "
                "fake a difference of focus.",
                advice="Collimate, or set the ring to the wall.",
                data={"squeeze": lens.squeeze},
            )

    def spoilt(self, conjugate: ChainTerm, low_um: float, high_um: float) -> str | None:
        return too_near(conjugate, low_um, high_um)


def _out_of_focus(term: ChainTerm, m: Magnification | None) -> ChainTerm:
    """With a part of its own for what of m's u is there because the lens may not have been in focus."""
    if m is None or not m.u_out_of_focus:
        return term
    share = min(1.0, m.u_out_of_focus / m.u)
    parts = []
    for part in term.parts:
        parts.append(replace(part, u=part.u * math.sqrt(1.0 - share**2)) if part.name == "m" else part)
        if part.name == "m":
            parts.append(Part(OUT_OF_FOCUS, part.u * share))
    return replace(term, parts=tuple(parts))


def too_near(conjugate: ChainTerm, low_um: float, high_um: float, least_p: float = 0.95) -> str | None:
    """The sentence if the conjugate term alone keeps even a perfect lens from passing, else None.

    The best possible value is the middle of the tolerance; JCGM 106 then gives a probability of conformity
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


def _contradiction(given: LensInputs, wall: _Wall, lens: Lens) -> str | None:
    """The sentence if the stated m contradicts the m from distance, focal length and gap; None if they agree.

    Four quantities with one equation between them: one check is enough, whatever the number of routes. The routes share
    quantities, so m is compared with a value independent of it, and not one route with another.
    """
    if wall.m is None or wall.distance is None:
        return None
    (f, u_f), (gap, u_gap), (distance, u_distance), (m, u_m) = given.f, given.gap, wall.distance, wall.m
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


def _at_infinity(given: LensInputs, wall: _Wall, setup: SetupDocument) -> ConjugateTerm:
    best = best_conjugate(
        focal_length_mm=given.f[0],
        u_focal_length_mm=given.f[1],
        distance_mm=wall.distance[0] if wall.distance else None,
        u_distance_mm=wall.distance[1] if wall.distance else 0.0,
        gap_mm=given.gap[0],
        u_gap_mm=given.gap[1],
        m=wall.m[0] if wall.m else None,
        u_m=wall.m[1] if wall.m else 0.0,
    )
    parts = tuple(Part(name.replace("_", " "), u_um) for name, u_um in best.contributions.items())
    term = ChainTerm(
        "conjugate", best.x_um, best.u_um, given.dof_for(parts), "normal", _ROUTES[best.route], parts=parts
    )
    ring = "Ring at its hard stop" if setup.ring == "hard_stop" else "Ring at infinity"
    return ConjugateTerm(term, None, (f"{ring}, {wall.in_words}: {best.x_um:.0f} µm of conjugate shift taken off.",))


def _at_mark(given: LensInputs, wall: _Wall, engraved_mark: float, lens: Lens) -> ConjugateTerm:
    """x'(T) - x'(s). Focal length and gap enter both, so their shares partly cancel and are added with sign."""
    mark, unit, to_mark = engraved(lens, engraved_mark)
    routes: list[tuple[str, Callable[..., float], dict[str, Uncertain]]] = []
    if wall.m is not None:
        routes.append(("m", lambda f, h, m: f * m - to_mark(f, h), given.named | {"m": wall.m}))
    if wall.distance is not None:
        inputs = given.named | {"distance": wall.distance}
        routes.append(("distance", lambda f, h, t: f * magnification(f, t, h) - to_mark(f, h), inputs))
    if wall.m is not None and wall.distance is not None:
        inputs = given.named | {"distance": wall.distance, "m": wall.m}
        routes.append(("m and distance", lambda f, h, t, m: (t - h) * (m / (1.0 + m)) ** 2 - to_mark(f, h), inputs))
    found = [(name, *propagate(function, inputs)) for name, function, inputs in routes]
    source, value, parts = min(found, key=lambda route: math.hypot(*(part.u for part in route[2])))
    u_um = math.hypot(*(part.u for part in parts))
    term = ChainTerm("conjugate", 1000.0 * value, u_um, given.dof_for(parts), "normal", _ROUTES[source], parts=parts)
    note = f"Ring at the mark {mark:g} {unit}, {wall.in_words}: {term.value_um:.0f} µm of conjugate shift taken off."
    return ConjugateTerm(term, None, (note, MARK_IS_PART))
