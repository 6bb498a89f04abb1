"""Budgets and values in the form of a finding's document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchd.metrology.drawn import Drawn

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
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


def shares_of(lines: Mapping[str, float]) -> dict[str, float]:
    """The parts of a gauged length's u that come from the bench's scale, carriage, gauge and cover, from the lines
    (name -> u) of its budget."""
    return {
        "scale_um": lines.get("scale", 0.0),
        "abbe_um": lines.get("abbe", 0.0),
        "hysteresis_um": lines.get("gauge hysteresis", 0.0),
        "gain_um": lines.get("gauge gain", 0.0),
        "cover_um": lines.get("target cover", 0.0),
    }


def drawn(finding: Finding, key: str, truth: float) -> Drawn:
    """A value of a finding as a case of the accuracy study. Raises ValueError where it states no interval of it."""
    stated = finding.values[key]
    if stated.value is None or not stated.u or stated.U is None:
        raise ValueError(f"{finding.assessment} states no interval of '{key}'")
    return Drawn(stated.value, stated.u, stated.U, truth)
