"""A difference measured A-B-B-A, so that drift cancels.

Four readings at equal intervals: a linear drift adds the same to the mean of the outer and of the inner pair.
The residue of a curved drift is estimated from the two pairs' own differences and is a line of the budget.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.metrology.budget import Term, effective_dof, standard_u


@dataclass(frozen=True, slots=True)
class Interleaved:
    """B minus A, its uncertainty by the readings and by a curved drift, and the drift per interval."""

    difference: float
    u_readings: float
    dof: float | None
    drift: float
    bend: float

    def terms(self, source: str) -> tuple[Term, Term]:
        """The two budget lines: the readings (type A) and the residue of a curved drift (rectangular)."""
        return (
            Term("readings", self.u_readings, "A", self.dof, source),
            Term("drift", standard_u(self.bend, "rectangular"), "B", None, source, "rectangular"),
        )


def drift_free_difference(
    values: Sequence[float], us: Sequence[float], dofs: Sequence[float | None] = (None, None, None, None)
) -> Interleaved:
    """B less A from readings taken in the order A, B, B, A at equal intervals, with their u and dof.

    With a = A2 - A1 and b = B2 - B1 a linear drift makes a = 3 b, and the error left by a drift that settles
    exponentially, with any time constant, is exactly sqrt((a - 3b)(a + b)) / 2, because then
    a/b = 1 + 2 cosh(interval / tau). Its magnitude is stated as `bend`, after what the readings' own scatter
    contributes to a - 3b has been taken off by squares: a bound for an unknown drift, never a correction.
    """
    a1, b1, b2, a2 = values
    ua1, ub1, ub2, ua2 = us
    outer, inner = a2 - a1, b2 - b1
    excess = outer - 3.0 * inner
    u_excess = math.sqrt(ua1**2 + ua2**2 + 9.0 * (ub1**2 + ub2**2))
    shown = math.sqrt(max(0.0, excess**2 - u_excess**2))
    halves = [0.5 * u for u in us]
    return Interleaved(
        difference=0.5 * (b1 + b2) - 0.5 * (a1 + a2),
        u_readings=math.hypot(*halves),
        dof=effective_dof(halves, dofs),
        drift=(3.0 * outer + inner) / 10.0,
        bend=0.5 * math.sqrt(shown * abs(outer + inner)),
    )
