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

OF_PAIRS = ("joints", "stand-off")
"""Lines of every mated pair: how they come to rest, and the dirt in them; the lens's own is made anew each time."""

SCATTER = "seatings of the lens"
TABLE = "seatings"

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
    """The lines of the chain, those of the pairs of seats as so many seatings leave them, and a note where the seatings
    contradict them.

    `pairs` is the number of pairs in those lines, of which the lens's own was made anew each time. Where the seatings
    scatter by far more than they say (variance ratio, F distribution), that scatter takes the place of the lens's own.
    """
    n, lines = len(seatings), [term for term in chain if term.term in OF_PAIRS and term.u > 0.0]
    if n < 2 or not lines:
        return list(chain), None
    of_pair = math.hypot(*(line.u for line in lines)) / math.sqrt(pairs)
    scatter = float(np.std([one.peak_um for one in seatings], ddof=1))
    expected = math.hypot(of_pair, math.sqrt(sum(one.u_um**2 for one in seatings) / n))
    dof = effective_dof([line.u for line in lines], [line.dof for line in lines])
    others = [term for term in chain if term not in lines]
    if not _contradicts(scatter, expected, n, dof):
        return [*others, *(_averaged(line, n, pairs) for line in lines)], None
    if pairs > 1:
        others += [replace(line, u=line.u * math.sqrt((pairs - 1) / pairs)) for line in lines]
    own = Term(SCATTER, scatter / math.sqrt(n), "A", float(n - 1), run)
    note = (
        f"The {n} seatings scatter by {scatter:.1f} µm, where {expected:.1f} would be expected of a joint as stated: "
        "their own scatter is in the interval. Look for dirt and burrs on the seats."
    )
    return [*others, own], note


def _averaged(line: Term, n: int, pairs: int) -> Term:
    """The line with the lens's own pair n times: what a person does the same way each time stays."""
    anew = next((part.u for part in line.parts if part.name == EACH_SEATING), line.u)
    return replace(line, u=math.sqrt(line.u**2 - anew**2 * (1.0 - 1.0 / n) / pairs), parts=())


def _contradicts(scatter_um: float, expected_um: float, n: int, dof: float | None) -> bool:
    from scipy.special import fdtrc

    return float(fdtrc(n - 1.0, 1e9 if dof is None else dof, (scatter_um / expected_um) ** 2)) < BY_CHANCE


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
