"""How budgets and values are written into a finding."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from benchd.metrology.budget import Expanded, Term


def as_value(value: float, expanded: Expanded, unit: str) -> dict[str, Any]:
    """A value of a finding: value, unit, u, dof, k, U."""
    return {
        "value": value,
        "unit": unit,
        "u": expanded.u,
        "dof": expanded.dof,
        "k": expanded.k,
        "U": expanded.U,
    }


def as_budget(terms: Sequence[Term]) -> list[dict[str, Any]]:
    """The budget of a finding, largest line first."""
    ordered = sorted(terms, key=lambda term: -term.u)
    return [
        {
            "term": t.term, "u": t.u, "type": t.kind, "dof": t.dof, "source": t.source, "shape": t.shape,
            "parts": [{"name": part.name, "u": part.u} for part in t.parts],
        }
        for t in ordered
    ]  # fmt: skip
