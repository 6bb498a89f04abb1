"""The uncertainty budget: lines that name their source, combined into one expanded uncertainty.

JCGM 100 throughout: combined by squares (5.1.2), effective degrees of freedom by Welch-Satterthwaite (G.4.1),
coverage factor from t. Where lines that are not normal hold most of the variance the interval comes from the
convolution instead (JCGM 101), because k u would then hold more than it says.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from benchd.metrology.distribution import ErrorDistribution, Shape, coverage_factor

DOMINANT_SHARE = 0.7
"""Share of the variance from which lines that are not normal decide the shape of the interval."""

HYSTERESIS_SHAPE: Shape = "rectangular"
"""Two readings, each half of the hysteresis h off to one side or the other, differ by -h, 0 or h: u = h / root 2. A
rectangle of that u holds those ends in its 95 % (1.16 h); an arcsine ends at them, and its 95 % (.997 h) does not."""


@dataclass(frozen=True, slots=True)
class Part:
    """What one input adds to a line of a budget, in the unit of the line, without sign."""

    name: str
    u: float


@dataclass(frozen=True, slots=True)
class Term:
    """One line of a budget.

    `u` is the line's contribution in the measurand's unit: sensitivity applied, no sign. `dof` None is infinite.
    `kind` is the GUM's type of evaluation; `source` is where the figure comes from (a calibration, a record, a run).
    `parts` are the contributions of its inputs, if these can be improved separately.
    """

    term: str
    u: float
    kind: Literal["A", "B"]
    dof: float | None
    source: str
    shape: Shape = "normal"
    parts: tuple[Part, ...] = ()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(f"the uncertainty of {self.term} must be finite and not negative, not {self.u}")
        if self.dof is not None and not self.dof > 0.0:
            raise ValueError(f"the degrees of freedom of {self.term} must be above zero, not {self.dof}")


@dataclass(frozen=True, slots=True)
class Expanded:
    """A combined uncertainty and its interval: value +- U holds the truth with probability `coverage`.

    `shape` says where k = U/u comes from: `normal` or `t` tables, or the `convolution` with lines that are not normal.
    """

    u: float
    dof: float | None
    k: float
    U: float
    shape: Literal["normal", "t", "convolution"]
    coverage: float
    distribution: ErrorDistribution


def effective_dof(us: Sequence[float], dofs: Sequence[float | None]) -> float | None:
    """Welch-Satterthwaite: u_c^4 / sum(u_i^4 / dof_i) (JCGM 100, G.2b). None when no line is finite."""
    fourth = sum(u**4 / dof for u, dof in zip(us, dofs, strict=True) if dof is not None)
    return sum(u * u for u in us) ** 2 / fourth if fourth > 0.0 else None


def combine(terms: Iterable[Term], coverage: float = 0.95) -> Expanded:
    """Combine independent lines. Shared inputs must have been added up, with sign, into one line before.

    When lines that are not normal hold more than 70 % of the variance together, the interval is the convolution of
    their shapes with a t for all other lines; their own degrees of freedom then do not enter it (only `dof`).
    """
    lines = [term for term in terms if term.u > 0.0]
    u = math.hypot(*(line.u for line in lines))
    dof = effective_dof([line.u for line in lines], [line.dof for line in lines])
    bounded = [line for line in lines if line.shape != "normal"]
    if sum(line.u**2 for line in bounded) > DOMINANT_SHARE * u**2:
        rest = [line for line in lines if line.shape == "normal"]
        core = effective_dof([line.u for line in rest], [line.dof for line in rest])
        shapes = tuple((line.shape, line.u) for line in bounded)
        distribution = ErrorDistribution(math.hypot(*(line.u for line in rest)), core, shapes)
        half_width = distribution.half_width(coverage)
        return Expanded(u, dof, half_width / u, half_width, "convolution", coverage, distribution)
    k = coverage_factor(dof, coverage)
    shape: Literal["normal", "t"] = "normal" if dof is None else "t"
    return Expanded(u, dof, k, k * u, shape, coverage, ErrorDistribution(u, dof))


def standard_u(half_width: float, shape: Shape) -> float:
    """Standard uncertainty of a bounded quantity known to +- `half_width` (JCGM 100, 4.3.7, 4.3.9, H.1.3.4).

    A normal quantity has no bounds: ValueError.
    """
    if shape == "normal":
        raise ValueError("a normal distribution has no half-width; state its standard uncertainty")
    return half_width / math.sqrt({"rectangular": 3.0, "triangular": 6.0, "arcsine": 2.0}[shape])
