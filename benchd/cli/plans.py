"""What a procedure would do, as a table: what moves where, what is asked, how long it takes."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

from rich.console import Group, RenderableType
from rich.text import Text

from benchd.cli import tables
from benchd.files.wording import ended
from benchd.reports import numbers as say

Doc = Mapping[str, Any]


def plan_table(plan: Doc) -> Group:
    """The answer to a dry run: `procedure seconds seconds_at_most asks problems entries`."""
    parts: list[RenderableType] = [tables.heading(f"{plan['procedure']}, gone through without moving anything")]
    columns = (("step", "left"), ("what", "left"), ("to \u00b5m", "right"), ("s", "right"))
    rows = []
    for when, entries in itertools.groupby(plan["entries"], key=_conditions):
        indent = "  " * len(when)
        if when:
            rows.append(("", f"{indent}{when[-1]}:", "", ""))
        for entry in entries:
            rows.append(
                (
                    f"{indent}{entry['verb']}",
                    f"{indent}{entry['ask'] or entry['text']}",
                    _places(entry),
                    f"{entry['seconds']:.1f}" if entry["seconds"] else "",
                )
            )
    parts.append(tables.plain(columns, rows))
    asks = len(plan["asks"])
    asked = "nothing is asked" if not asks else f"{asks} question{'s' if asks > 1 else ''} to answer"
    at_most = plan["seconds_at_most"]
    most = f" ({duration(at_most)} at the most)" if at_most > plan["seconds"] + 1.0 else ""
    parts += [Text(""), Text(f"Takes about {duration(plan['seconds'])}{most}, the person's time apart; {asked}.")]
    # The problems are in the order of their entries.
    advice = [entry["problem"]["advice"] for entry in plan["entries"] if entry.get("problem")]
    for problem, help_ in dict(zip(plan["problems"], advice, strict=True)).items():
        parts.append(Text(ended(f"Would be refused: {problem}"), style="bold red"))
        parts += [Text(f"  {help_}")] if help_ else []
    return Group(*parts)


def _places(entry: Doc) -> str:
    if entry.get("over_um") is not None:
        return " to ".join(say.number(place, 1) for place in entry["over_um"])
    return "" if entry["to_um"] is None else say.number(entry["to_um"], 1)


def _conditions(entry: Doc) -> tuple[str, ...]:
    return tuple(entry["when"]) if entry["step"] is not None else ("however it ends", *entry["when"])


def duration(seconds: float) -> str:
    """`40 s`, `3 min 20 s`, `1 h 05 min`."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"
