"""Plays histories side by side, counts what happened in them, and keeps those that broke a rule, cut down."""

from __future__ import annotations

import multiprocessing
import os
import resource
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from soak_plot import drawn_over_time
from tests.virtual.drawn import CALM, drawn
from tests.virtual.play import Outcome, play, shrunk
from tests.virtual.rules.findings_hold import misses_too_often
from tests.virtual.schedule import Kept, Step

HOUR_S = 3600.0
SHRINK_S = 300.0
"""So long at the most a schedule is cut down."""
WARM = 20
"""Histories of a process, after which its memory grows no more."""
GROWTH_MB = 10.0


@dataclass(frozen=True)
class Asked:
    """What is to be played, and by how many processes."""

    hours: float
    seed: int
    faults: bool
    curves: bool
    processes: int

    def steps(self, seed: int) -> list[Step]:
        return drawn(seed, CALM, faults=self.faults)


@dataclass(frozen=True)
class Played:
    """One history, by whom, and how much memory that process then holds (MB)."""

    seed: int
    outcome: Outcome
    process: int
    resident_mb: float


def soaked(asked: Asked) -> tuple[list[tuple[int, Outcome]], bool]:
    """Those that broke a rule, with their numbers; and whether what is judged over all of them holds as well."""
    from rich.console import Console
    from rich.progress import Progress, TextColumn

    console = Console(stderr=True)
    counts: Counter[str] = Counter()
    broken: list[tuple[int, Outcome]] = []
    resident: dict[int, list[float]] = {}
    seconds, began = 0.0, time.perf_counter()
    columns = (*Progress.get_default_columns()[:2], TextColumn("{task.fields[said]}"))
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        bar = progress.add_task("hours", total=asked.hours, said="")
        for one in _histories(asked):
            seconds += one.outcome.seconds
            counts.update(one.outcome.counts)
            counts["histories"] += 1
            resident.setdefault(one.process, []).append(one.resident_mb)
            if one.outcome.broken:
                broken.append((one.seed, one.outcome))
                console.print(f"history {one.seed}: {one.outcome.broken[0]}", markup=False)
            rate = seconds / (time.perf_counter() - began)
            said = f"{rate:.0f} h an hour, {counts['histories']} histories, {len(broken)} broke a rule"
            progress.update(bar, completed=seconds / HOUR_S, said=said)
            if seconds >= asked.hours * HOUR_S:
                break
    spent = time.perf_counter() - began
    print(
        f"{seconds / HOUR_S:.1f} virtual hours in {spent / 60:.1f} min by {asked.processes} "
        f"process{'es' if asked.processes > 1 else ''}: {seconds / spent:.0f} hours an hour."
    )
    print(", ".join(f"{value} {key}" for key, value in _told(counts).items()))
    if broken:
        print(f"{len(broken)} of {counts['histories']} histories broke a rule.")
    else:
        print(f"Every rule held in {counts['histories']} histories.")
    return broken, _intervals_hold(counts) & _memory_is_flat(resident)


def _histories(asked: Asked) -> Iterator[Played]:
    tasks = ((asked, number) for number in range(asked.seed, asked.seed + 10**6))
    if asked.processes == 1:
        yield from map(_one, tasks)
        return
    with multiprocessing.get_context("forkserver").Pool(asked.processes) as pool:
        window = [pool.apply_async(_one, (next(tasks),)) for _ in range(2 * asked.processes)]
        while True:
            yield window.pop(0).get()
            window.append(pool.apply_async(_one, (next(tasks),)))


def _one(task: tuple[Asked, int]) -> Played:
    asked, seed = task
    outcome = play(asked.steps(seed), seed, curves=asked.curves)
    outcome.lines.clear()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return Played(seed, outcome, os.getpid(), pages * resource.getpagesize() / 1e6)


def _told(counts: Counter[str]) -> dict[str, int]:
    told = {key: counts[key] for key in ("histories", "commands", "faults", "runs", "findings")}
    return told | {"kills": counts["step kill"], "events rules looked at": counts["looked at"]}


def _intervals_hold(counts: Counter[str]) -> bool:
    """Of the findings that could be judged, no more may miss the truth than 5 % of them make likely."""
    judged, missed = counts["findings judged"], counts["findings missed"]
    if not judged:
        return True
    held = not misses_too_often(missed, judged)
    print(f"{judged - missed} of {judged} intervals held the truth{'' if held else ', which are too few'}.")
    return held


def _memory_is_flat(resident: dict[int, list[float]]) -> bool:
    grown = [mb[-1] - mb[WARM] for mb in resident.values() if len(mb) > 2 * WARM]
    if not grown:
        return True
    flat = max(grown) <= GROWTH_MB
    print(f"Memory grew by {max(grown):.1f} MB{'' if flat else ', which is too much'}.")
    return flat


def keep(folder: Path, asked: Asked, seed: int, outcome: Outcome) -> None:
    """Cut a history down to what breaks the same rule; write it with its journal and plot, and print it."""
    rule, ends = outcome.broken[0].rule, time.perf_counter() + SHRINK_S

    def breaks(fewer: Sequence[Step]) -> bool:
        if time.perf_counter() > ends:
            return False
        return any(one.rule == rule for one in play(fewer, seed, curves=asked.curves).broken)

    least = shrunk(asked.steps(seed), breaks, lambda left: print(f"  {left} steps still break {rule}", file=sys.stderr))
    again = play(least, seed, curves=asked.curves)
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / f"{rule}-{seed}.txt"
    said = str(again.broken[0] if again.broken else rule).partition("\n")[0]
    file.write_text(Kept(seed, asked.curves, least).written(said), encoding="utf-8")
    file.with_suffix(".tsv").write_text("\n".join(again.lines) + "\n", encoding="utf-8")
    drawn_over_time(again.lines, file.with_suffix(".png"))
    print(f"\n{file.read_text(encoding='utf-8')}\nscripts/soak --replay {file} runs it again.")
