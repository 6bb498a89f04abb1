"""Two findings beside each other: what their difference is uncertain by, from their own budgets."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from scipy import stats

Finding = Mapping[str, Any]

COVERAGE = 0.95
"""Of the intervals here, as of every interval that benchd states."""


@dataclass(frozen=True, slots=True)
class Difference:
    """Second finding less first, with its standard uncertainty and half interval (um)."""

    value: float
    u: float
    U: float

    def is_about(self, expected: float) -> bool:
        """Whether the expected difference lies in the interval."""
        return abs(self.value - expected) <= self.U


def expanded(parts: Sequence[tuple[float, float | None]], coverage: float = COVERAGE) -> tuple[float, float]:
    """u and U of independent (u, degrees of freedom), by Welch and Satterthwaite's formula and Student's factor."""
    u = math.hypot(*(one for one, _ in parts))
    spread = sum(one**4 / dof for one, dof in parts if dof is not None)
    dof = u**4 / spread if spread > 0.0 else math.inf
    half = 0.5 + 0.5 * coverage
    return u, u * float(stats.t.ppf(half, dof) if math.isfinite(dof) else stats.norm.ppf(half))


def difference(
    first: Finding,
    second: Finding,
    kept: Mapping[str, float],
    *,
    own: Sequence[float] = (),
    beside: Sequence[Mapping[str, Any]] = (),
    value: str = "focus_error",
) -> Difference:
    """The difference of a value of two findings, lines that both share dropped.

    `kept` names the lines that are drawn anew from one finding to the other, by the first word of their term, with
    the share of u that is (1 for all of it): all others are the same error in both. The lines of the sweep are always
    kept. `own` are standard uncertainties (um) of the difference that stand in neither budget, `beside` lines of other
    budgets that count.
    """
    shares = {"sweep": 1.0, "position subdivision": 1.0, **kept}
    parts = [
        (line["u"] * share, line["dof"])
        for finding in (first, second)
        for line in finding["budgets"][value]
        for term, share in shares.items()
        if line["term"] == term or line["term"].split(" ")[0] == term
    ]
    parts += [(line["u"], line["dof"]) for line in beside]
    u, U = expanded([*parts, *((one, None) for one in own)])
    return Difference(second["values"][value]["value"] - first["values"][value]["value"], u, U)


def as_stated(finding: Finding, value: str) -> Difference:
    """A difference that a finding states by itself, with its U."""
    stated = finding["values"][value]
    return Difference(stated["value"], stated["u"], stated["U"])
