"""The outcome of a set-up change, as `benchd do setup` prints it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.table import Table

Doc = Mapping[str, Any]


def has_outcome(result: Doc) -> bool:
    """Whether the answer includes the outcome of the change."""
    return {"rev", "set", "dropped"} <= set(result)


def head(result: Doc) -> str:
    """The first line of the outcome."""
    if result["set"] or result["dropped"]:
        return f"revision {result['rev']}"
    return f"nothing has changed, revision {result['rev']} stands"


def table(result: Doc) -> Table:
    """A line for each thing set, dropped and carried over, for nominal and for zero."""
    from benchd.cli import tables
    from benchd.cli.lines import name_of, plain

    rows = [("Set", f"{name_of(key)} {plain(value, key)}") for key, value in result["set"].items()]
    rows += [
        ("Dropped", f"{name_of(entry['key'])} {plain(entry['was'], entry['key'])}: {entry['why']}")
        for entry in result["dropped"]
    ]
    rows += [
        (
            "Carried over",
            f"{name_of(entry['key'])} {plain(entry['was'], entry['key'])}, the target having moved it is "
            f"{plain(entry['now'], entry['key'])}",
        )
        for entry in result["carried"]
    ]
    return tables.pairs([*rows, ("Nominal", _nominal(result)), *_zero(result)])


def _nominal(result: Doc) -> str:
    from benchd.reports import numbers as say

    place, moved = result["nominal_carriage_um"], result["moved_um"]
    if place is None:
        return "nowhere: there is no lens in the set-up"
    at = f"carriage {say.number(place, 1)} \u00b5m"
    if moved is None:
        return at
    return f"{at}, moved by {say.number(moved, 1, sign=True)} \u00b5m" if round(moved, 1) else f"{at}, as before"


def _zero(result: Doc) -> list[tuple[str, str]]:
    if result["absolute"] is None:
        return []
    from benchd.reports import words

    relative = f"RELATIVE: {words.why_relative(result)}; findings carry no verdict"
    return [("Zero", "absolute" if result["absolute"] else relative)]
