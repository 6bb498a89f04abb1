"""Hours of use and misuse of a whole bench in virtual time, under rules that always hold.

Daemon, simulated hardware, broker and clients run in one process, each history from one number. A history that breaks
a rule is cut down to the fewest steps that still break it, and kept as a file that `--replay` runs again.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from soak_mutants import caught  # noqa: E402 - found from here on
from soak_plot import drawn_over_time  # noqa: E402
from tests.virtual.drawn import drawn  # noqa: E402
from tests.virtual.play import Outcome, play, shrunk  # noqa: E402
from tests.virtual.rules.findings_hold import misses_too_often  # noqa: E402
from tests.virtual.schedule import Step, read, written  # noqa: E402

HOUR_S = 3600.0
SHRINK_S = 300.0
"""So long at the most a schedule is cut down."""


def main() -> int:
    """0 when every rule held, 1 when one was broken, 2 for a wrong call."""
    args = _arguments()
    signal.signal(signal.SIGINT, signal.default_int_handler)
    if args.mutants:
        return caught(args.mutants if isinstance(args.mutants, str) else None)
    if args.replay:
        return _replay(args.replay, args.seed)
    return _soak(args)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="scripts/soak", description=__doc__)
    parser.add_argument("--hours", type=float, default=1.0, help="virtual hours (default 1)")
    parser.add_argument("--seed", type=int, default=1, help="the first of the numbers that histories are drawn from")
    parser.add_argument("--no-faults", dest="faults", action="store_false", help="people alone: nothing breaks")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--out", type=Path, default=Path("soak"), help="folder for what broke a rule (default soak)")
    parser.add_argument("--replay", type=Path, metavar="FILE", help="run a schedule again")
    parser.add_argument(
        "--mutants", nargs="?", const=True, metavar="NAME", help="is each small edit of a guard caught?"
    )
    return parser.parse_args()


def _one(task: tuple[int, bool]) -> tuple[int, Outcome]:
    seed, faults = task
    outcome = play(drawn(seed, faults=faults), seed)
    if not outcome.broken:
        outcome.lines.clear()
    return seed, outcome


def _histories(seed: int, faults: bool, processes: int) -> Iterator[tuple[int, Outcome]]:
    tasks = ((number, faults) for number in range(seed, seed + 10**6))
    if processes == 1:
        yield from map(_one, tasks)
        return
    with multiprocessing.get_context("forkserver").Pool(processes, maxtasksperchild=200) as pool:
        window = [pool.apply_async(_one, (next(tasks),)) for _ in range(2 * processes)]
        while True:
            yield window.pop(0).get()
            window.append(pool.apply_async(_one, (next(tasks),)))


def _soak(args: argparse.Namespace) -> int:
    from rich.console import Console
    from rich.progress import Progress, TextColumn

    console = Console(stderr=True)
    counts: Counter[str] = Counter()
    broken: list[tuple[int, Outcome]] = []
    seconds, began = 0.0, time.perf_counter()
    columns = (*Progress.get_default_columns()[:2], TextColumn("{task.fields[said]}"))
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        bar = progress.add_task("hours", total=args.hours, said="")
        for seed, outcome in _histories(args.seed, args.faults, args.processes):
            seconds += outcome.seconds
            counts.update(outcome.counts)
            counts["histories"] += 1
            if outcome.broken:
                broken.append((seed, outcome))
                console.print(f"history {seed}: {outcome.broken[0]}", markup=False)
            rate = seconds / (time.perf_counter() - began)
            progress.update(bar, completed=seconds / HOUR_S, said=f"{rate:.0f} h an hour, {len(broken)} broke a rule")
            if seconds >= args.hours * HOUR_S:
                break
    spent = time.perf_counter() - began
    print(f"{seconds / HOUR_S:.1f} virtual hours in {spent / 60:.1f} min: {seconds / spent:.0f} hours an hour.")
    print(", ".join(f"{value} {key}" for key, value in sorted(_told(counts).items())))
    for seed, outcome in broken[:3]:
        _keep(args.out, seed, drawn(seed, faults=args.faults), outcome)
    missing = misses_too_often(counts["findings missed"], counts["findings judged"])
    if missing:
        print(f"Too many intervals miss the truth: {counts['findings missed']} of {counts['findings judged']}.")
    if broken:
        print(f"{len(broken)} of {counts['histories']} histories broke a rule.")
    else:
        print(f"Every rule held in {counts['histories']} histories.")
    return 1 if broken or missing else 0


def _told(counts: Counter[str]) -> dict[str, int]:
    told = {"histories": counts["histories"], "commands": counts["commands"], "kills": counts["step kill"]}
    told["runs"] = counts["runs"]
    told["findings"] = counts["findings"]
    told["faults"] = counts["faults"]
    told["findings judged"], told["findings missed"] = counts["findings judged"], counts["findings missed"]
    return told


def _keep(folder: Path, seed: int, steps: Sequence[Step], outcome: Outcome) -> None:
    rule, ends = outcome.broken[0].rule, time.perf_counter() + SHRINK_S

    def breaks(fewer: Sequence[Step]) -> bool:
        if time.perf_counter() > ends:
            return False
        return any(one.rule == rule for one in play(fewer, seed).broken)

    least = shrunk(steps, breaks, lambda left: print(f"  {left} steps still break {rule}", file=sys.stderr))
    again = play(least, seed)
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / f"{rule}-{seed}.txt"
    said = str(again.broken[0] if again.broken else rule).partition("\n")[0]
    file.write_text(f"# seed {seed}: {said}\n{written(least)}", encoding="utf-8")
    file.with_suffix(".tsv").write_text("\n".join(again.lines) + "\n", encoding="utf-8")
    drawn_over_time(again.lines, file.with_suffix(".png"))
    print(f"\n{file.read_text(encoding='utf-8')}\nscripts/soak --replay {file} runs it again.")


def _replay(file: Path, seed: int) -> int:
    try:
        text = file.read_text(encoding="utf-8")
        steps = read(text)
    except (OSError, ValueError) as error:
        print(f"{file}: {error}", file=sys.stderr)
        return 2
    first = text.partition("\n")[0].split()
    if len(first) > 2 and first[:2] == ["#", "seed"]:
        seed = int(first[2].rstrip(":"))
    outcome = play(steps, seed)
    for one in outcome.broken:
        print(one)
    file.with_suffix(".tsv").write_text("\n".join(outcome.lines) + "\n", encoding="utf-8")
    drawn_over_time(outcome.lines, file.with_suffix(".png"))
    print(f"{outcome.seconds:.1f} s; journal and plot lie beside it." if not outcome.broken else "", end="\n")
    return 1 if outcome.broken else 0


if __name__ == "__main__":
    os.environ["XDG_RUNTIME_DIR"] = tempfile.mkdtemp(prefix="benchd-soak-")
    sys.exit(main())
