"""A line of the datum chain, as published: what it adds to the carriage, and how sure that is. Lengths in um."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchd.metrology.budget import Part

Shape = Literal["normal", "rectangular", "arcsine", "triangular"]


@dataclass(frozen=True, slots=True)
class ChainTerm:
    """One line as published: contribution to the carriage, u, dof (None: infinite), shape, source; kind A or B.

    `parts` are what its inputs add to u, where it has several that a person could better one by one.
    """

    term: str
    value_um: float
    u_um: float
    dof: float | None
    shape: Shape
    source: str
    kind: Literal["A", "B"] = "B"
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True, slots=True)
class UnmeasuredTerm:
    """A line of the chain that nobody measured or stated: taken as zero, and no uncertainty is made up for it."""

    term: str
    value_um: float = 0.0
    u_um: None = None
    dof: None = None
    shape: Shape = "normal"
    source: str = "not measured"
    kind: Literal["A", "B"] = "B"
