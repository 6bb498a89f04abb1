"""Where a run's time went, as a table: what, how often, how long, and the least it could take."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import RenderableType

NAMES = {
    "homing": "homing",
    "moves": "moves",
    "settling": "settling",
    "exposures": "exposures",
    "wire": "asking and fetching",
    "light set": "setting the exposure",
    "analysis": "waiting for analysis and record",
    "person": "waiting for a person",
    "paused": "paused",
    "other": "all else",
}
NOT_OF_THE_MACHINE = ("person", "paused")


def times_table(doc: Mapping[str, Any]) -> RenderableType:
    """The rows of a `times` event, the machine's own summed up."""
    from benchd.cli import tables

    rows = sorted(doc["rows"], key=lambda row: list(NAMES).index(row["what"]) if row["what"] in NAMES else len(NAMES))
    machine = [row for row in rows if row["what"] not in NOT_OF_THE_MACHINE]
    sums = {key: sum(row[key] for row in machine) for key in ("s", "floor_s")}
    total = {"what": "the machine", "count": None, **sums}
    columns = [("Of run " + str(doc["run"]), "left"), ("Times", "right"), ("s", "right"), ("At least s", "right")]
    cells = [
        [NAMES.get(row["what"], row["what"]), "" if row["count"] is None else str(row["count"]), f"{row['s']:.2f}",
         f"{row['floor_s']:.2f}"]
        for row in [*rows, total]
    ]  # fmt: skip
    return tables.plain(columns, cells)
