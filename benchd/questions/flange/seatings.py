"""Best focus over several seatings of the lens: the mean of all, and what the joint still adds to it.

Every seating is another draw of the lens's own pair of seats, so n of them leave of its line a root of n. How far apart
they lie shows whether the stated u of a joint is true of this seat.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np

from benchd.bench.datum.chain_terms import EACH_SEATING
from benchd.metrology.budget import Term, effective_dof

JOINTS, STAND_OFF = "joints", "stand-off"
SCATTER = "seatings of the lens"
TABLE = "seatings"

MOST = 10
"""Seatings of one lens that anybody is asked for."""

BY_CHANCE = 0.01
"""Seatings that scatter by more than would come about so often, if the joint were as stated, contradict it."""


class Peak(Protocol):
    """The part of a fit that a finding goes by: the peak and its u (um), degrees of freedom, flags."""

    @property
    def peak_um(self) -> float: ...
    @property
    def u_um(self) -> float: ...
    @property
    def dof(self) -> float: ...
    @property
    def flags(self) -> tuple[str, ...]: ...


@dataclass(frozen=True, slots=True)
class MeanPeak:
    """The mean of the peaks of several seatings, with the u of their readings alone."""

    peak_um: float
    u_um: float
    dof: float
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Seating:
    """One seating: its first and last reading, and best focus with the u of its readings (um)."""

    indices: tuple[int, int]
    peak_um: float
    u_um: float


def mean_of(fits: Sequence[Peak]) -> Peak:
    """The fit itself where there is one."""
    if len(fits) == 1:
        return fits[0]
    us = [fit.u_um / len(fits) for fit in fits]
    dof = effective_dof(us, [float(fit.dof) for fit in fits])
    flags = tuple(dict.fromkeys(flag for fit in fits for flag in fit.flags))
    mean = float(np.mean([fit.peak_um for fit in fits]))
    return MeanPeak(mean, math.hypot(*us), math.inf if dof is None else dof, flags)


def of_joints(
    chain: Sequence[Term], seatings: Sequence[Seating], pairs: int, run: str
) -> tuple[list[Term], str | None]:
    """The lines of the chain, that of the joints as so many seatings leave it, and a note where the seatings contradict
    it.

    `pairs` is the number of pairs in that line, of which the lens's own was made anew each time. Where the seatings
    scatter by far more than it says (variance ratio, F distribution), that scatter takes the place of the lens's own.
    The line for dirt and burrs stays as it is: a burr is there each time.
    """
    n, line = len(seatings), next((term for term in chain if term.term == JOINTS and term.u > 0.0), None)
    if n < 2 or line is None:
        return list(chain), None
    anew = _anew(line)
    dirt = next((term.u for term in chain if term.term == STAND_OFF), 0.0)
    readings = math.sqrt(sum(one.u_um**2 for one in seatings) / n)
    scatter = float(np.std([one.peak_um for one in seatings], ddof=1))
    expected = math.hypot(math.hypot(anew, dirt) / math.sqrt(pairs), readings)
    others = [term for term in chain if term is not line]
    if not _contradicts(scatter, expected, n, line.dof):
        return [*others, _with_own_pair(line, pairs, 1.0 / n)], None
    others += [kept for kept in [_with_own_pair(line, pairs, 0.0)] if kept.u > 0.0]
    own = Term(SCATTER, scatter / math.sqrt(n), "A", float(n - 1), run)
    note = (
        f"The {n} seatings scatter by {scatter:.1f} µm, where {expected:.1f} would be expected of a joint as stated: "
        "their own scatter is in the interval. Look for dirt and burrs on the seats."
    )
    return [*others, own], note


def _anew(line: Term) -> float:
    """What of the line of joints is drawn anew by each seating, whoever does it."""
    return next((part.u for part in line.parts if part.name == EACH_SEATING), line.u)


def _with_own_pair(line: Term, pairs: int, share: float) -> Term:
    """The line with only that share of the variance by which the lens's own pair comes to rest anew.

    What a person does the same way each time stays. Where there is such a part, the one that shrinks is taken to have
    had no end of degrees of freedom (JCGM 100, G.4.1), which is on the safe side.
    """
    anew = _anew(line)
    left = anew * math.sqrt(max(0.0, (pairs - 1.0 + share) / pairs))
    u = math.sqrt(max(0.0, line.u**2 - anew**2 + left**2))
    if not line.parts:
        return replace(line, u=u)
    dof = None if line.dof is None else line.dof * (u / line.u) ** 4
    return replace(
        line, u=u, dof=dof, parts=tuple(replace(p, u=left) if p.name == EACH_SEATING else p for p in line.parts)
    )


def _contradicts(scatter_um: float, expected_um: float, n: int, dof: float | None) -> bool:
    from scipy.special import fdtrc

    return float(fdtrc(n - 1.0, 1e9 if dof is None else dof, (scatter_um / expected_um) ** 2)) < BY_CHANCE


def how_often(line: Term, pairs: int, u_um: float) -> int | None:
    """How many seatings leave no more than that of a line of one; None where MOST do not, as the other pairs stay."""
    return next((n for n in range(2, MOST + 1) if _with_own_pair(line, pairs, 1.0 / n).u <= u_um), None)


def as_table(seatings: Sequence[Seating]) -> dict[str, Any]:
    """The table of a finding, one row a seating; none of a single one."""
    if len(seatings) < 2:
        return {}
    columns = [{"name": "seating"}, {"name": "first reading"}, {"name": "last reading"}]
    columns += [{"name": "best focus", "unit": "um"}, {"name": "u", "unit": "um"}]
    rows = [[float(i + 1), *map(float, one.indices), one.peak_um, one.u_um] for i, one in enumerate(seatings)]
    return {TABLE: {"columns": columns, "rows": rows}}


def how_many(doc: Any) -> int:
    """The number of seatings that a finding's document is the mean of."""
    return len(doc["tables"][TABLE]["rows"]) if TABLE in doc.get("tables", {}) else 1


def each_of(doc: Any) -> list[tuple[int, int]]:
    """First and last reading of each seating."""
    if how_many(doc) == 1:
        first, last = doc["readings"]["indices"]
        return [(int(first), int(last))]
    return [(int(row[1]), int(row[2])) for row in doc["tables"][TABLE]["rows"]]


def own_pair(line: Any, pairs: int, n: int) -> float:
    """Of a line of joints in a finding's document that is the mean of n seatings: the u of the lens's own pair."""
    parts = {part["name"]: part["u"] for part in line.get("parts", ())}
    left = parts.get(EACH_SEATING, line["u"])
    common2 = max(0.0, line["u"] ** 2 - left**2) / pairs
    return math.sqrt(common2 + left**2 / (n * (pairs - 1) + 1))
