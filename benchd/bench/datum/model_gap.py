"""The gap between the principal planes of a lens model, found at two walls, as the conjugate term goes by it.

    x' = (T - h) (m / (1 + m))^2,  and from two walls  x'2 = dz m2 / (m1 - m2),  h = T2 - x'2 ((1 + m2) / m2)^2

An m that is too large by a share c, as the marks' rule or the target's pitch is off, makes the h so found too large by
2 c (T - h), and what that h is later used for too small by as much as m makes it too large: by the same marks it
cancels, and only what the readings were off by is left. So does the tape's error, as long as the wall stays where it
is.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from benchd.arrangements.setup_document import SetupDocument
from benchd.assessments.finding import AtWall
from benchd.bench.datum.chain_terms import CalibrationInForce
from benchd.files.artefacts import FocalLength, Lens, PrincipalGap
from benchd.files.bench_file import BenchFile
from benchd.metrology.budget import effective_dof
from benchd.metrology.specimens import another_specimen

AT_INFINITY = ("infinity", "hard_stop")

SPECIMENS_UM = 350.0
"""Standard deviation of the gaps of the specimens of a model, so that two of them are .5 mm apart (u): common practice,
no source."""

_STATED = {"marks": "marks_apart_mm", "pitch": "mark_pitch_mm"}
"""Key of the bench file's arrangement, by how m was told."""

ALIKE = 0.02
"""Distortion goes with the square of a mark's distance from the middle: it is then the same to a twentieth."""


@dataclass(frozen=True, slots=True)
class ByGap:
    """Lens, set-up and bench file as the conjugate term is to be worked out from them, and what to say of it."""

    lens: Lens
    setup: SetupDocument
    file: BenchFile
    calibrations: tuple[str, ...]
    note: str


def look_alike(one_px: float | None, other_px: float | None) -> bool:
    """Whether marks are as far apart in both pictures: then what the camera's lens distorts is in both the same."""
    return one_px is not None and other_px is not None and abs(one_px / other_px - 1.0) <= ALIKE


def gap_artefact(model: str, lens: str | None = None) -> str:
    """The artefact under which the gap of a specimen of a lens model is kept: the model's name as an id may be written,
    and what tells it from another that would be written alike. Without a specimen as older records have it, which hold
    one of a model."""
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", model)[:48]
    found = f"gap.{plain}" if plain == model else f"gap.{plain}.{hashlib.sha256(model.encode()).hexdigest()[:6]}"
    return found if lens is None else f"{found}.of.{lens}"


@dataclass(frozen=True, slots=True)
class _Gap:
    """Value and own u (um) with its degrees of freedom, how it was come by, the calibrations it is of, and a clause;
    `u_um`: of several ways the surer is taken, the tape with it."""

    value: float
    dof: float | None
    at_wall: AtWall
    setup: int | None
    calibrations: tuple[str, ...]
    told: str
    u_um: float = 0.0
    as_stated: bool = True


def _gap_of(lens: Lens, calibrations: Mapping[str, CalibrationInForce], distance_rev: int | None) -> _Gap | None:
    """The specimen's own gap, else by those of the model that were measured; None without any."""
    whole = gap_artefact(lens.model)
    found: dict[str | None, CalibrationInForce] = {}
    for one in sorted(calibrations.values(), key=lambda one: one.setup or 0):
        if one.at_wall is not None and (one.artefact == whole or one.artefact.startswith(f"{whole}.of.")):
            found.pop(one.lens, None)  # a specimen's last, among them in the order of their set-ups
            found[one.lens] = one
    own = found.get(lens.id)
    if own is not None and own.at_wall is not None:
        return _Gap(own.value, None, own.at_wall, own.setup, (own.id,), f"by two walls ({own.id})")
    return _by_others(list(found.values()), distance_rev) if found else None


def _by_others(measured: list[CalibrationInForce], distance_rev: int | None) -> _Gap | None:
    """By the other specimens that were measured as the last one was, by the same marks; or by the last one alone, where
    that is surer and they scatter by no more than specimens are stated to."""
    last = measured[-1].at_wall
    if last is None:
        return None
    alike = [(one, at) for one in measured if (at := one.at_wall) is not None and _same_marks(at, last)]
    several = _of(alike, distance_rev)
    if several.as_stated and (alone := _of(alike[-1:], distance_rev)).u_um <= several.u_um:
        return alone
    return several


def _of(alike: list[tuple[CalibrationInForce, AtWall]], distance_rev: int | None) -> _Gap:
    """By these specimens. The tape's error is common to gap and distance, and cancels, where nobody has stated another
    distance since the first of them was measured; else it was held anew each time, so that it is in their scatter, and
    the distance has one of its own."""
    last, ids = alike[-1][1], tuple(one.id for one, _ in alike)
    since: int | None = min((one.setup or 0) for one, _ in alike)
    by_tape_um = 0.0
    us, update = [at.own_u_um for _, at in alike], {}
    if len(alike) > 1 and not _same_wall(distance_rev, since):
        us = [math.hypot(at.own_u_um, 1000.0 * at.u_distance_mm) for _, at in alike]
        since, update, by_tape_um = None, {"u_distance_mm": 0.0}, 1000.0 * last.u_distance_mm
    elif not _same_wall(distance_rev, since):
        by_tape_um = 1000.0 * math.sqrt(2.0) * last.u_distance_mm
    found = another_specimen([one.value for one, _ in alike], us, SPECIMENS_UM)
    at_wall = last.model_copy(update={"own_u_um": found.u, **update})
    if found.s is None:
        told = f"by two walls with another specimen ({ids[0]})"
    else:
        scatter = f"scatter by {found.s / 1000.0:.1f} mm"
        told = f"by two walls, the mean of {len(alike)} specimens ({', '.join(ids)}) that {scatter}"
    return _Gap(found.mean, found.dof, at_wall, since, ids, told, math.hypot(found.u, by_tape_um), found.as_stated)


def _same_wall(distance_rev: int | None, since: int | None) -> bool:
    """Whether nobody has stated another distance since that set-up."""
    return distance_rev is not None and since is not None and distance_rev <= since


def _same_marks(one: AtWall, other: AtWall) -> bool:
    """Whether the scale of m was off alike in both."""
    if (one.marks_mm, one.pitch_mm, one.m_u_rel is None) != (other.marks_mm, other.pitch_mm, other.m_u_rel is None):
        return False
    return one.across_px == other.across_px or look_alike(one.across_px, other.across_px)


def by_gap(
    lens: Lens | None,
    setup: SetupDocument,
    file: BenchFile,
    calibrations: Mapping[str, CalibrationInForce],
) -> ByGap | None:
    """With the gap of the lens, or by others of its model, where that was found at two walls; None where it was not, or
    nobody asks for it.

    It is the same wall as long as nobody has stated another distance since.
    """
    if lens is None or not lens.model or setup.distance_mm is None or setup.m is None:
        return None
    if setup.ring not in AT_INFINITY:  # with the ring at a mark nothing of m cancels
        return None
    known = _gap_of(lens, calibrations, setup.distance_rev)
    if known is None:
        return None
    found, m = known.at_wall, setup.m
    marks = (file.arrangement.rest.get(_STATED.get(m.by or "", "")), file.target.pitch_mm)
    same_marks = m.by is not None and found.m_u_rel is not None and marks == (found.marks_mm, found.pitch_mm)
    same_marks = same_marks and (found.across_px is None or look_alike(m.across_px, found.across_px))
    same_wall = _same_wall(setup.distance_rev, known.setup)
    reach_um = 1000.0 * setup.distance_mm - known.value
    u_gap_um = [found.own_u_um]
    if same_marks and found.m_u_rel is not None:
        u_m = math.sqrt(max(m.u**2 - (m.value * found.m_u_rel) ** 2, (1e-6 * m.value) ** 2))
        m = m.model_copy(update={"u": u_m})
    elif found.m_u_rel is not None:
        u_gap_um.append(2.0 * found.m_u_rel * reach_um)
    set_up = file.set_up
    if same_wall:
        set_up = set_up.model_copy(update={"u_distance_mm": 0.0})
    else:
        u_gap_um.append(1000.0 * found.u_distance_mm)
    # Made as it is: what is sensible to write into a file has limits, what is measured has none.
    dof = effective_dof(u_gap_um, [known.dof, *(None for _ in u_gap_um[1:])])
    gap = PrincipalGap.model_construct(value=known.value / 1000.0, u=math.hypot(*u_gap_um) / 1000.0, dof=dof)
    # Nothing cancels where the focal length enters: these u's are for the way that asks for m and distance alone.
    f = FocalLength.model_construct(value=lens.focal_length_mm.value, u=lens.focal_length_mm.value, dof=None)
    where = "at this wall" if same_wall else "at another wall"
    how = "by the same marks" if same_marks else "m told otherwise than then"
    return ByGap(
        lens.model_copy(update={"principal_gap_mm": gap, "focal_length_mm": f}),
        setup.model_copy(update={"m": m}),
        file.model_copy(update={"set_up": set_up}),
        known.calibrations,
        f"Gap of the principal planes of {lens.model}: {known.value / 1000.0:.1f} mm {known.told}, {where}, {how}.",
    )
