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
from benchd.bench.datum.chain_terms import CalibrationInForce
from benchd.files.artefacts import FocalLength, Lens, PrincipalGap
from benchd.files.bench_file import BenchFile

AT_INFINITY = ("infinity", "hard_stop")

ALIKE = 0.02
"""Distortion goes with the square of a mark's distance from the middle: it is then the same to a twentieth."""


@dataclass(frozen=True, slots=True)
class ByGap:
    """Lens, set-up and bench file as the conjugate term is to be worked out from them, and what to say of it."""

    lens: Lens
    setup: SetupDocument
    file: BenchFile
    calibration: str
    note: str


def look_alike(one_px: float | None, other_px: float | None) -> bool:
    """Whether marks are as far apart in both pictures: then what the camera's lens distorts is in both the same."""
    return one_px is not None and other_px is not None and abs(one_px / other_px - 1.0) <= ALIKE


def gap_artefact(model: str) -> str:
    """The artefact under which the gap of a lens model is kept: its name as an id may be written, and what tells it
    from another that would be written alike."""
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", model)[:48]
    return f"gap.{plain}" if plain == model else f"gap.{plain}.{hashlib.sha256(model.encode()).hexdigest()[:6]}"


def by_gap(
    lens: Lens | None,
    setup: SetupDocument,
    file: BenchFile,
    calibrations: Mapping[str, CalibrationInForce],
) -> ByGap | None:
    """With the gap of the lens's model where that was found at two walls; None where it was not, or nobody asks for it.

    It is the same wall as long as nobody has stated another distance since.
    """
    if lens is None or not lens.model or setup.distance_mm is None or setup.m is None:
        return None
    if setup.ring not in AT_INFINITY:  # with the ring at a mark nothing of m cancels
        return None
    known = calibrations.get(gap_artefact(lens.model))
    if known is None or known.at_wall is None:
        return None
    found, m = known.at_wall, setup.m
    marks = (file.arrangement.rest.get("marks_apart_mm"), file.target.pitch_mm)
    same_marks = m.by == "marks" and found.m_u_rel is not None and marks == (found.marks_mm, found.pitch_mm)
    same_marks = same_marks and (found.across_px is None or look_alike(m.across_px, found.across_px))
    same_wall = None not in (setup.distance_rev, known.setup) and int(setup.distance_rev or 0) <= int(known.setup or 0)
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
    gap = PrincipalGap.model_construct(value=known.value / 1000.0, u=math.hypot(*u_gap_um) / 1000.0, dof=None)
    # Nothing cancels where the focal length enters: these u's are for the way that asks for m and distance alone.
    f = FocalLength.model_construct(value=lens.focal_length_mm.value, u=lens.focal_length_mm.value, dof=None)
    where = "at this wall" if same_wall else "at another wall"
    how = "by the same marks" if same_marks else "m told otherwise than then"
    return ByGap(
        lens.model_copy(update={"principal_gap_mm": gap, "focal_length_mm": f}),
        setup.model_copy(update={"m": m}),
        file.model_copy(update={"set_up": set_up}),
        known.id,
        f"Gap of the principal planes of {lens.model}: {known.value / 1000.0:.1f} mm by two walls ({known.id}), "
        f"{where}, {how}.",
    )
