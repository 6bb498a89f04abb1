"""A verdict left undecided on purpose, and what an advice that was done has to have brought."""

from __future__ import annotations

from itertools import count
from math import sqrt
from statistics import NormalDist

from benchd.metrology.budget import Term, combine
from benchd.metrology.decision import decide
from finding_bench import LENS, Finding, FindingBench


def contribution(finding: Finding, line: str, part: str | None = None) -> float:
    """Of a line of the budget, or of a part of it; 0 where there is no such line."""
    found = next((one for one in finding["budgets"]["focus_error"] if one["term"] == line), None)
    parts = {} if found is None else {one["name"]: one["u"] for one in found.get("parts", ())}
    return 0.0 if found is None else float(found["u"] if part is None else parts.get(part, 0.0))


async def left_open(bench: FindingBench, found: Finding, now: float) -> Finding:
    """The tolerance of the lens's record set so that half of this contribution would just decide, and the
    lens measured by it, nothing touched."""
    error = found["values"]["focus_error"]
    then = NormalDist(error["value"], sqrt(error["u"] ** 2 - (1.0 - 0.5**2) * now**2))
    within_um = next(um / 100 for um in count(1) if then.cdf(um / 100) - then.cdf(-um / 100) >= 0.955)
    await bench.client.command("record", kind="lens", id=LENS, set={"tolerance": {"flange_um": within_um}})
    again = await bench.sweep()
    assert again["verdict"]["is"] == "undecided"
    return again


def holds(bench: FindingBench, finding: Finding) -> None:
    assert finding["absolute"], finding["why_relative"]
    error = finding["values"]["focus_error"]
    assert abs(error["value"] - bench.truth()["focus_error_um"]) <= 1.5 * error["U"], "beyond: once in 300"


def as_foretold(before: Finding, after: Finding, left: float) -> None:
    """U is what was foretold or less, what is left of the contribution what was needed, and the value decided by it."""
    step = before["verdict"]["next"]
    assert left <= step["u_needed_um"]
    assert after["values"]["focus_error"]["U"] <= 1.01 * step["U_then_um"]
    lines = [
        Term(one["term"], one["u"], one["type"], one["dof"], one["source"], one.get("shape", "normal"))
        for one in after["budgets"]["focus_error"]
    ]
    value, verdict = before["values"]["focus_error"]["value"], before["verdict"]
    assert decide(value, combine(lines), verdict["low"], verdict["high"]).is_ != "undecided"
