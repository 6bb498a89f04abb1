"""A value held against a tolerance, as a finding has it: verdict, and what would decide it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.assessments.betterment import how
from benchd.metrology.budget import Expanded, Term
from benchd.metrology.decision import RULE, decide, improvement


def judged(
    name: str,
    value: float,
    expanded: Expanded,
    terms: Sequence[Term],
    limits: tuple[float | None, float | None],
    *,
    unit: str = "um",
    improves: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """The `verdict` of a finding about its value `name`; `terms` are the lines of its budget.

    `improves` says what betters a line that is not one of the chain's. Raises ValueError for limits without room.
    """
    found = decide(value, expanded, *limits)
    doc: dict[str, Any] = {
        "is": found.is_,
        "value": name,
        "low": found.low,
        "high": found.high,
        "unit": unit,
        "p_conform": found.p_conform,
        "rule": RULE,
        "next": None,
    }
    if found.is_ == "undecided":
        step = improvement(value, terms, *limits)
        told = how(step.dominant, step.part, improves)
        if step.u_needed is None:
            told += "; this alone will not decide it, the value is too near a limit"
        needed = {"u_needed_um": step.u_needed} if unit == "um" else {"u_needed_um": None, "u_needed": step.u_needed}
        doc["next"] = {"dominant": step.dominant, "part": step.part, **needed, "how": told}
    return doc
