"""The verdict of a finding: a value compared with a tolerance, and what would decide an undecided one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.assessments.improvements import advice_for, own_advice
from benchd.metrology.budget import Expanded, Term
from benchd.metrology.decision import AGAIN, RULE, decide, improvement


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

    Raises ValueError for an empty tolerance interval.
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
        if unit == "um":
            needed = {"u_needed_um": step.u_needed, "U_then_um": step.U_then}
        else:
            needed = {"u_needed_um": None, "u_needed": step.u_needed, "U_then": step.U_then}
        if step.u_needed is None and found.u_needed is not None:
            key = "U_decides_um" if unit == "um" else "U_decides"
            needed[key] = found.u_needed / expanded.u * expanded.U / AGAIN
        advice = _how(step.dominant, step.part, step.u_needed is not None)
        doc["next"] = {"dominant": step.dominant, "part": step.part, **needed, "how": advice}
    return doc


def with_own_advice(verdict: Mapping[str, Any] | None, improves: Mapping[str, str]) -> dict[str, Any] | None:
    """A finding's verdict, its advice on the dominant line replaced by that in `improves`, if there is any."""
    if verdict is None or verdict["next"] is None:
        return None if verdict is None else dict(verdict)
    step = verdict["next"]
    if not own_advice(step["dominant"], step.get("part"), improves):
        return dict(verdict)
    decides = (step["u_needed_um"] if verdict["unit"] == "um" else step.get("u_needed")) is not None
    return {**verdict, "next": {**step, "how": _how(step["dominant"], step.get("part"), decides, improves)}}


def _how(line: str, part: str | None, decides: bool, improves: Mapping[str, str] | None = None) -> str:
    advice = advice_for(line, part, improves)
    return advice if decides else f"{advice}; this alone will not decide it, the value is too near a limit"
