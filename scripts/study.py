"""The accuracy study: thousands of benches drawn, calibrated and used below the bytes, held against their truth."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from study_cases import Outcome, run_case
from study_plugins import CASES, QUICK_CASES, of_plugins, tell_of
from study_strata import QUICK, STRATA

SEED = 20260101
FULL_CASES = 4000
CHUNK = 20
Task = tuple[str, int, int, int]


def main() -> int:
    """0 when every stratum is plausible at a true 95 %, 1 when one is not, 2 for a wrong call."""
    args = _arguments()
    signal.signal(signal.SIGINT, signal.default_int_handler)  # also where a shell started it in the background
    if args.case:
        return _one(args.case, args.seed)
    theirs = of_plugins()
    # A meter's case takes a tenth of a second, most of it for its optics: its short form is tests/study/test_meter.py.
    more = [name for name in theirs if not (args.quick and name.startswith("meter/"))]
    names = args.strata.split(",") if args.strata else [*(QUICK if args.quick else STRATA), *more]
    unknown = [name for name in names if name not in STRATA and name not in theirs]
    if unknown:
        print(f"No such stratum: {', '.join(unknown)}. There are: {', '.join((*STRATA, *theirs))}.", file=sys.stderr)
        return 2
    default = QUICK if args.quick else {}
    counts = {name: args.cases or default.get(name, FULL_CASES) for name in names if name in STRATA}
    processes = 1 if args.quick and args.processes is None else args.processes or 2
    asked = {name: theirs[name] for name in names if name in theirs}
    if not counts and (args.json or args.plot or args.outcomes):
        print("--json, --plot and --outcomes are of benchd's own strata; none of those was asked for.", file=sys.stderr)
        return 2
    told = tell_of(asked, args.seed, args.cases or (QUICK_CASES if args.quick else CASES))
    if not counts:
        return told
    return max(told, _tell(_run(counts, args.seed, processes, foretold=not args.quick), args))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="scripts/study", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="the strata of the tests, one core, a few minutes")
    parser.add_argument("--cases", type=int, help=f"cases a stratum (default {FULL_CASES})")
    parser.add_argument("--strata", help=f"names with commas between: {', '.join(STRATA)}")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--processes", type=int, help="default 2 (1 with --quick)")
    parser.add_argument("--json", type=Path, metavar="FILE", help="figures (and with --outcomes every case) as JSON")
    parser.add_argument("--outcomes", action="store_true", help="keep every case in the JSON file")
    parser.add_argument("--plot", type=Path, metavar="FILE", help="coverage and bias as PNG")
    parser.add_argument("--case", metavar="STRATUM:INDEX", help="print everything of one case")
    return parser.parse_args()


def _run(counts: dict[str, int], seed: int, processes: int, *, foretold: bool) -> dict[str, list[Outcome]]:
    """All cases, strata in turn, so that the time left is about the whole; Ctrl-C ends with the cases done so far.

    How long it takes is `foretold` from three cases of each stratum.
    """
    from rich.console import Console
    from rich.progress import MofNCompleteColumn, Progress, TimeElapsedColumn, TimeRemainingColumn

    console = Console(stderr=True)
    seconds = 0.0
    for name, count in counts.items() if foretold else ():
        run_case(STRATA[name], seed + 1, 0)
        began = time.perf_counter()
        for index in range(1, 3):
            run_case(STRATA[name], seed + 1, index)
        seconds += (time.perf_counter() - began) / 2 * count
    total = sum(counts.values())
    time_left = f": about {seconds / processes / 60:.1f} min on {processes}" if foretold else ""
    console.print(f"{total} cases in {len(counts)} strata{time_left}.")
    results: dict[str, list[Outcome]] = {name: [] for name in counts}
    columns = (*Progress.get_default_columns()[:2], MofNCompleteColumn(), TimeElapsedColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        bar = progress.add_task("cases", total=total)
        try:
            for name, outcomes in _chunks(counts, seed, processes):
                results[name] += outcomes
                progress.advance(bar, len(outcomes))
        except KeyboardInterrupt:
            done = sum(map(len, results.values()))
            console.print(f"Broken off after {done} of {total} cases.")
    return {name: sorted(done, key=lambda one: one.index) for name, done in results.items() if done}


def _chunks(counts: dict[str, int], seed: int, processes: int) -> Iterator[tuple[str, list[Outcome]]]:
    most = max(counts.values())
    tasks = [
        (name, seed, start, min(start + CHUNK, count))
        for start in range(0, most, CHUNK)
        for name, count in counts.items()
        if start < count
    ]
    if processes == 1:
        yield from map(_chunk, tasks)
        return
    with multiprocessing.get_context("forkserver").Pool(processes) as pool:
        yield from pool.imap_unordered(_chunk, tasks)


def _chunk(task: Task) -> tuple[str, list[Outcome]]:
    name, seed, start, stop = task
    return name, [run_case(STRATA[name], seed, index) for index in range(start, stop)]


def _tell(results: dict[str, list[Outcome]], args: argparse.Namespace) -> int:
    from rich.console import Console

    from study_tables import by_stratum, parts_table_of, refusals_of, table_of

    figures = by_stratum(results)
    console = Console(width=None if sys.stdout.isatty() else 160)
    console.print(table_of(figures))
    console.print(parts_table_of(figures))
    for line in refusals_of(figures):
        console.print(line, highlight=False)
    outside = [one.stratum for one in figures if not one.in_band]
    console.print(f"Outside 93 to 97 %: {', '.join(outside) or 'none'}.", highlight=False)
    if args.json:
        doc: dict[str, object] = {"seed": args.seed, "strata": [one.as_json() for one in figures]}
        if args.outcomes:
            doc["outcomes"] = {name: [one.as_json() for one in outcomes] for name, outcomes in results.items()}
        args.json.write_text(json.dumps(doc, indent=1) + "\n")
    if args.plot:
        from study_plot import draw

        args.plot.write_bytes(draw(figures))
    return 0 if all(one.plausible for one in figures) else 1


def _one(which: str, seed: int) -> int:
    from study_print import print_case

    name, _, index = which.rpartition(":")
    if name not in STRATA or not index.isdigit():
        print(f"'{which}' is no STRATUM:INDEX. There are: {', '.join(STRATA)}.", file=sys.stderr)
        return 2
    print_case(STRATA[name], seed, int(index))
    return 0


if __name__ == "__main__":
    sys.exit(main())
