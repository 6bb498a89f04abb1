"""Where today's check stands on the chart of its lens, as a finding: pure numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.assessments.finding import Finding
from benchd.metrology.control_chart import BASELINE, Chart, judge
from benchd.questions.check_lens.history import Check, day

Doc = Mapping[str, Any]

CHARTED = 40
"""Checks in the table of a finding, the newest: a finding goes out whole, and a picture shows no more."""

SCATTER = (
    "The limits hold what changes from check to check: how lens and adapters sit, temperature, the sweep, the tape "
    "where the wall is measured each time. What is the same every time they cannot show: a zero may be wrong all along."
)
AGAIN = (
    f"Of 100 mornings on which nothing has changed, limits of {BASELINE} checks call about 4 drifting or not to be "
    "trusted: seat the lens again and repeat the check first."
)


@dataclass(frozen=True, slots=True)
class CheckInput:
    """`head` are the first keys of the finding, `flange` the document of that assessment of the same sweeps; `before`
    are the checks that today's is compared with, oldest first, `notes` say what of the history is not among them."""

    head: Mapping[str, Any]
    flange: Doc
    today: Check
    before: Sequence[Check]
    notes: Sequence[str]


def assess(given: CheckInput) -> Finding:
    """The finding `check_lens`. It has no verdict: the limits say what is usual, and no tolerance."""
    checks = [*given.before, given.today]
    chart = judge([check.value_um for check in checks])
    flange = given.flange
    return Finding.model_validate(
        {
            **given.head,
            "measurand": flange["measurand"],
            "absolute": flange["absolute"],
            "why_relative": flange.get("why_relative") or [],
            "values": _values(given, chart),
            "budgets": {"focus_error": flange["budgets"]["focus_error"]},
            "tables": {"state": _state(checks, chart), "checks": _charted(checks, chart)},
            "verdict": None,
            "advice": None,
            "notes": _notes(given, checks, chart),
            "readings": flange["readings"],
            "calibrations": flange["calibrations"],
        }
    )


def _values(given: CheckInput, chart: Chart) -> dict[str, Any]:
    """Without a full baseline there is neither mean nor limit."""
    values: dict[str, Any] = {}
    own = {"focus_error": given.flange["values"]["focus_error"], "shims": _um(given.today.shims_um)}
    if chart.limits is None or chart.average_half_width is None:
        return own
    centre, half, of_average = chart.limits.centre, chart.limits.half_width, chart.average_half_width
    values["departure"] = _um(given.today.value_um - centre)
    values |= own
    values |= {"centre": _um(centre), "low": _um(centre - half), "high": _um(centre + half)}
    values["average"] = _um(chart.averages[-1])
    return values | {"average_low": _um(centre - of_average), "average_high": _um(centre + of_average)}


def _state(checks: Sequence[Check], chart: Chart) -> dict[str, Any]:
    columns = [{"name": name} for name in ("bench", "side", "since", "checks since", "checks", "baseline")]
    side, since, lasted = None, None, None
    if chart.since is not None:
        side, since, lasted = (
            "deeper" if chart.deeper else "shallower",
            checks[chart.since].at,
            len(checks) - chart.since,
        )
    return {"columns": columns, "rows": [[chart.state, side, since, lasted, len(checks), BASELINE]]}


def _charted(checks: Sequence[Check], chart: Chart) -> dict[str, Any]:
    """The newest checks, counted from the first of the baseline on."""
    averages = chart.averages or (None,) * len(checks)
    rows = [[number, check.at, check.value_um, average] for number, (check, average) in
            enumerate(zip(checks, averages, strict=True), 1)]  # fmt: skip
    columns = [{"name": "check"}, {"name": "at"}, {"name": "focus error", "unit": "um"}]
    return {"columns": [*columns, {"name": "average", "unit": "um"}], "rows": rows[-CHARTED:]}


def _notes(given: CheckInput, checks: Sequence[Check], chart: Chart) -> list[str]:
    notes = [note for note in given.flange["notes"] if note.startswith("Measured ")]
    notes += given.notes
    if chart.limits is not None:
        first, last = (day(checks[index].at) for index in (0, BASELINE - 1))
        span = f"The limits are of the {BASELINE} checks from {first} to {last}."
        if first == last:
            span = (
                f"The limits are of {BASELINE} checks of one day, {first}: what changes from day to day is not in them."
            )
        notes += [span, SCATTER]
    if chart.unsteady:
        days = ", ".join(day(checks[index].at) for index in chart.unsteady)
        notes.append(f"The baseline was not steady: of its own limits, the check of {days} lies outside.")
    if chart.since is not None:
        notes.append(AGAIN)
    return notes


def _um(value: float | None) -> dict[str, Any]:
    return {"value": value, "unit": "um"}
