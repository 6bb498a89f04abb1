"""Records edited at random moments, by hand and by the verb, well and badly, while lenses are checked one by one.

Daemon, simulated hardware, broker and clients run in one process and in virtual time, all of it from one number. Every
finding has to be made from one state of the records that was in force all through its run, every file has to be whole
after each edit, and what is wrong has to be told with file, line and key while the last good one stays in force.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

import structlog
from rich.table import Table

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from benchd.cli.console import wide  # noqa: E402 - found from here on
from edits_mutants import BROKEN, caught  # noqa: E402
from edits_session import Outcome, edited  # noqa: E402
from tests.virtual.benches import PACE, VirtualBench  # noqa: E402
from tests.virtual.same_each_time import run  # noqa: E402


def main() -> int:
    """0 when the rule held, 1 when it was broken, 2 for a wrong call."""
    parser = argparse.ArgumentParser(prog="scripts/edits", description=__doc__)
    parser.add_argument("--count", type=int, default=1000, metavar="N", help="edits (default 1000)")
    parser.add_argument("--seed", type=int, default=1, help="the number that all of it is drawn from (default 1)")
    parser.add_argument("--json", action="store_true", help="exactly one JSON document on standard output")
    parser.add_argument(
        "--mutants", nargs="?", const=True, metavar="NAME", help="is each small edit of the guarding code caught?"
    )
    args = parser.parse_args()
    if args.count < 1:
        parser.error("--count must be above zero")
    if args.mutants:
        return caught(args.mutants if isinstance(args.mutants, str) else None)
    structlog.configure(processors=[_unheard])
    began = time.perf_counter()
    folder = Path(tempfile.mkdtemp(prefix="benchd-edits-"))
    outcome = run(_edited(folder, args.count, args.seed), args.seed)
    took_s = time.perf_counter() - began
    if outcome.broken is None:
        shutil.rmtree(folder, ignore_errors=True)
    if args.json:
        print(json.dumps({**outcome.as_json(), "took_s": round(took_s, 1)}, allow_nan=False))
    else:
        _show(outcome, took_s)
    if outcome.broken is not None:
        print(f"BROKEN: {outcome.broken}\nFiles and record stay in {folder}.", file=sys.stderr)
        return BROKEN
    return 0


def _unheard(*_: object) -> structlog.typing.EventDict:
    """What the daemon logs is told by its events as well."""
    raise structlog.DropEvent


async def _edited(folder: Path, count: int, seed: int) -> Outcome:
    async with VirtualBench(folder, seed=seed, pace=PACE) as bench:
        return await edited(bench, count, seed)


def _show(outcome: Outcome, took_s: float) -> None:
    out = wide(stderr=False)
    for title, counted in (("edits", outcome.edits), ("refused by", outcome.refused), ("runs", outcome.runs)):
        table = Table(title, "number")
        for name, number in sorted(counted.items()):
            table.add_row(name, str(number))
        out.print(table)
    held = ", ".join(f"{number} {name}" for name, number in sorted(outcome.counts.items()))
    hours = outcome.virtual_s / 3600.0
    out.print(f"{outcome.edits.total()} edits in {hours:.2f} h of a bench, {took_s:.0f} s: {held}.")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(prefix="benchd-edits-") as runtime:
        os.environ["XDG_RUNTIME_DIR"] = runtime
        code = main()
    sys.exit(code)
