"""A measured figure beside its target, and how a run's figures are shown and kept."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure. `most` or `least` is its target; a figure with neither is told beside the others."""

    part: str
    name: str
    value: float
    unit: str
    most: float | None = None
    least: float | None = None
    note: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the target is met; None without one."""
        if self.most is None and self.least is None:
            return None
        return (self.most is None or self.value <= self.most) and (self.least is None or self.value >= self.least)

    @property
    def target(self) -> str:
        """The target in words."""
        if self.most is not None:
            return f"at most {self.most:g} {self.unit}".strip()
        return f"at least {self.least:g} {self.unit}".strip() if self.least is not None else ""

    @property
    def command(self) -> str:
        """What measures it again."""
        return f"scripts/bench --only {self.part}"


def quantile(values: Sequence[float], share: float) -> float:
    """The smallest value that at least `share` of all values do not exceed. Raises ValueError for none."""
    if not values:
        raise ValueError("no values")
    ordered = sorted(values)
    return ordered[min(max(math.ceil(share * len(ordered)), 1), len(ordered)) - 1]


def machine() -> dict[str, Any]:
    """What the figures were measured on, and how busy it was beside them."""
    names = {
        line.split(":", 1)[1].strip()
        for line in Path("/proc/cpuinfo").read_text(encoding="ascii", errors="replace").splitlines()
        if line.startswith("model name")
    }
    return {"processor": ", ".join(sorted(names)), "cores": os.cpu_count(), "load_1min": os.getloadavg()[0]}


def show(figures: Sequence[Figure], loads: tuple[float, float], console: Console) -> None:
    """The table: each figure, its target, whether it is met, the command."""
    title = f"load before {loads[0]:.1f}, after {loads[1]:.1f}, on {os.cpu_count()} cores"
    table = Table(title=title, title_justify="left", pad_edge=False)
    for heading in ("part", "figure"):
        table.add_column(heading, no_wrap=True)
    table.add_column("value", justify="right", no_wrap=True)
    for heading in ("target", "met", "how"):
        table.add_column(heading)
    for one in figures:
        word = {True: "yes", False: "[red]no[/red]", None: ""}[one.met]
        table.add_row(one.part, one.name, f"{_short(one.value)} {one.unit}".strip(), one.target, word, one.note)
    console.print(table)
    for part in dict.fromkeys(one.part for one in figures):
        console.print(f"  {part}: scripts/bench --only {part}", style="dim", highlight=False)


def _short(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def keep(figures: Sequence[Figure], about: dict[str, Any], path: Path) -> None:
    """The figures as JSON, with target, verdict and command."""
    rows = [{**asdict(one), "met": one.met, "target": one.target, "command": one.command} for one in figures]
    path.write_text(json.dumps({**about, "figures": rows}, indent=1, allow_nan=False) + "\n", encoding="utf-8")
