"""A value held against a tolerance, as a finding has it: verdict, and what would decide it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.assessments.improvements import how, own
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
) -> dict[str, Any]:
    """The `verdict` of a finding about its value `name`; `terms` are the lines of its budget.

    Raises ValueError for limits without room.
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
        needed = {"u_needed_um": step.u_needed} if unit == "um" else {"u_needed_um": None, "u_needed": step.u_needed}
        told = _how(step.dominant, step.part, step.u_needed is not None)
        doc["next"] = {"dominant": step.dominant, "part": step.part, **needed, "how": told}
    return doc


def better(verdict: Mapping[str, Any] | None, improves: Mapping[str, str]) -> dict[str, Any] | None:
    """A finding's verdict with what betters the line in its way, where a question's own words say it."""
    if verdict is None or verdict["next"] is None:
        return None if verdict is None else dict(verdict)
    step = verdict["next"]
    if not own(step["dominant"], step.get("part"), improves):
        return dict(verdict)
    decides = (step["u_needed_um"] if verdict["unit"] == "um" else step.get("u_needed")) is not None
    return {**verdict, "next": {**step, "how": _how(step["dominant"], step.get("part"), decides, improves)}}


def _how(line: str, part: str | None, decides: bool, improves: Mapping[str, str] | None = None) -> str:
    told = how(line, part, improves)
    return told if decides else f"{told}; this alone will not decide it, the value is too near a limit"
