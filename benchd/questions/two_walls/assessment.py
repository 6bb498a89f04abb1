"""Gap, focal length and shift by the wall from the best focus at two walls: pure numbers.

x' = f m (Newton), so that two walls give f = dz / (m1 - m2) and, at the second, x'2 = dz m2 / (m1 - m2). With
T = f (1 + m)^2 / m + h the gap is h = T2 - x'2 ((1 + m2) / m2)^2. A scale that both m share cancels in x'2, and is in h
twice (see `bench.datum.model_gap`, which takes it back where m is told by the same marks again).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from benchd.assessments.finding import Finding, WallShares
from benchd.assessments.lines import as_budget, as_value
from benchd.assessments.peak_lines import through_fit
from benchd.bench.datum.model_gap import SPECIMENS_UM
from benchd.errors import Refused
from benchd.metrology.budget import Term, combine

LEAST_APART = 10.0
"""Two walls are told apart by this many standard uncertainties of the way between their best focuses."""


@dataclass(frozen=True, slots=True)
class Wall:
    """Depth of best focus (um) with its u and degrees of freedom, distance to the wall (mm), m with its u.

    `passed_on` is how much of the scale's periodic error reaches the peak; None where its period is not stated.
    """

    depth_um: float
    u_um: float
    dof: float
    distance_mm: float
    m: float
    u_m: float
    passed_on: float | None = None

    def with_u_rel(self, part: float, instead_of: float) -> Wall:
        """With one relative part of the u of m in the place of another."""
        u2 = max(0.0, self.u_m**2 - (self.m * instead_of) ** 2) + (self.m * part) ** 2
        return replace(self, u_m=math.sqrt(u2))


@dataclass(frozen=True, slots=True)
class WallsInput:
    """`shares`: what later gaps and m's have in common with this one; of its `m_u_rel` both m's have it in common.
    `distance_by`: what told the distance, a tape or a meter.
    `focus_u_rel`: what they share as well, as both were told out of focus by as much, but no later one does; `u_scale`:
    the scale's relative u; `at_a_place`: the lines of its local errors; `u_abbe_um`: the Abbe error between the two
    places."""

    head: Mapping[str, Any]
    artefact: str
    model: str
    measurand: Mapping[str, Any]
    shares: WallShares
    distance_by: str
    focus_u_rel: float
    u_scale: float
    at_a_place: Sequence[Term]
    u_abbe_um: float
    indices: tuple[int, int]
    notes: Sequence[str] = ()


def assess(near: Wall, far: Wall, given: WallsInput) -> Finding:
    """The finding `two_walls`; `far` is the wall that stands now, whichever of them is farther.

    Raises Refused('not_found') where the two walls are not told apart.
    """
    between, steps = near.depth_um - far.depth_um, near.m - far.m
    at_both = [_at_both_places(term, near, far) for term in given.at_a_place]
    u_between = math.hypot(near.u_um, far.u_um, given.u_abbe_um, *(term.u for term in at_both))
    if abs(between) < LEAST_APART * u_between or between * steps <= 0.0:
        raise Refused(
            "not_found",
            f"The walls are not told apart: best focus moved by {between:+.1f} \u00b5m between m = {near.m:.5f} and "
            f"{far.m:.5f}.",
            advice="Measure at distances that differ by half or more, and see that the ring stays at infinity.",
        )
    shift = between * far.m / steps
    reach_um = shift * ((1.0 + far.m) / far.m) ** 2
    gap_um = 1000.0 * far.distance_mm - reach_um
    # What is shift's own: the readings, and what of each m is not shared. Of m1 and of m2, by differentiation.
    both_u_rel = math.hypot(given.shares.m_u_rel or 0.0, given.focus_u_rel)
    own_m = [math.sqrt(max(0.0, one.u_m**2 - (one.m * both_u_rel) ** 2)) for one in (near, far)]
    by_m = math.hypot(between * far.m / steps**2 * own_m[0], between * near.m / steps**2 * own_m[1])
    share = abs(shift / between)
    lines = [
        Term("readings", share * math.hypot(near.u_um, far.u_um), "A", _dof(near, far), str(given.head["run"])),
        *(replace(term, u=share * term.u) for term in at_both),
        Term("abbe", share * given.u_abbe_um, "B", None, "bench file", "triangular"),
        Term("scale", given.u_scale * abs(shift), "B", None, "position scale"),
        Term("pictures" if given.shares.m_u_rel is not None else "m", by_m, "B", None, "m of both walls"),
    ]
    lines = [line for line in lines if line.u > 0.0]
    up = reach_um / shift
    of_gap = [replace(line, u=up * line.u) for line in lines]
    if given.focus_u_rel:
        of_gap.append(Term("out of focus", 2.0 * given.focus_u_rel * abs(reach_um), "B", None, "m of both walls"))
    own_um = math.hypot(*(line.u for line in of_gap))
    of_gap.append(Term("distance", 1000.0 * given.shares.u_distance_mm, "B", None, given.distance_by))
    f_um, of_f = between / steps, []
    for line in lines[: -1 if by_m > 0.0 else None]:
        of_f.append(replace(line, u=line.u / share / abs(steps)))
    of_f.append(Term("m", abs(f_um / steps) * math.hypot(*own_m), "B", None, "m of both walls"))
    if given.focus_u_rel:
        of_f.append(Term("out of focus", given.focus_u_rel * abs(f_um), "B", None, "m of both walls"))
    if given.shares.m_u_rel is not None:
        by_marks = Term("marks", given.shares.m_u_rel, "B", None, "marks and target, bench file")
        of_gap.append(replace(by_marks, u=2.0 * by_marks.u * abs(reach_um)))
        of_f.append(replace(by_marks, u=by_marks.u * abs(f_um)))
    of_f = [replace(line, u=line.u / 1000.0) for line in of_f if line.u > 0.0]
    gap, length, moved = combine(of_gap), combine(of_f), combine(lines)
    return Finding.model_validate(
        {
            **given.head,
            "measurand": dict(given.measurand),
            "absolute": True,
            "values": {
                "gap": as_value(gap_um, gap, "um"),
                "focal_length": as_value(f_um / 1000.0, length, "mm"),
                "shift": as_value(shift, moved, "um"),
                "between": {"value": between, "unit": "um", "u": u_between},
            },
            "budgets": {"gap": as_budget(of_gap), "focal_length": as_budget(of_f), "shift": as_budget(lines)},
            "verdict": None,
            "advice": None,
            "calibrates": [
                {
                    "artefact": given.artefact,
                    "value": "gap",
                    "at_wall": {**given.shares.model_dump(), "own_u_um": own_um, "distance_mm": far.distance_mm},
                }
            ],
            "notes": [
                *given.notes,
                f"Of this specimen of the model {given.model}. One that was not measured itself has the mean of those "
                f"that were; specimens are taken to scatter by {SPECIMENS_UM / 1000.0:g} mm (u) till theirs says more.",
                *(
                    ["Of the gap's u the scale of m cancels where the same marks tell m again."]
                    if given.shares.m_u_rel is not None
                    else []
                ),
            ],
            "readings": {"run": str(given.head["run"]), "indices": list(given.indices)},
            "calibrations": [],
        }
    )


def _at_both_places(term: Term, near: Wall, far: Wall) -> Term:
    """A local error of the position, of which each place has its own, as it enters what is between the two: the walls
    move the focus by an unknown part of its period."""
    one, other = through_fit(term, near.passed_on), through_fit(term, far.passed_on)
    return replace(one, u=math.hypot(one.u, other.u))


def _dof(near: Wall, far: Wall) -> float:
    """By Welch and Satterthwaite (JCGM 100, G.2b)."""
    return (near.u_um**2 + far.u_um**2) ** 2 / (near.u_um**4 / near.dof + far.u_um**4 / far.dof)
