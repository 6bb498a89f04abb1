"""The same thing by two ways on benches drawn anew: is each difference what it ought to be, within its own U?

For each seed a bench of processes with everything hidden drawn anew is calibrated by the technician from an empty
record. Then each pair of `alike_pairs` is measured by both ways through its daemon.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import sys
from collections.abc import Mapping, Sequence

from rich.table import Table

from alike_judged import Judged, judged
from alike_pairs import PAIRS, Compared
from benchd.cli.console import wide
from benchd.errors import BenchdError
from finding_bench import MARKS_APART_MM, RING, FindingBench, ready, with_marks
from stack import Stack, StackFailed
from technician import RunEnded, Technician

Row = Mapping[str, Compared]


def main() -> int:
    """0 where each pair agrees, 1 where one does not, 2 for a wrong call, 3 where a bench did not come to its end.

    Those that did are told nevertheless. Interrupted it gives 130; whatever the reason, no bench outlives it.
    """
    parser = argparse.ArgumentParser(prog="scripts/alike", description=__doc__)
    parser.add_argument("--seeds", type=int, default=20, metavar="N", help="how many (default 20)")
    parser.add_argument("--first", type=int, default=1, metavar="N", help="the first of them (default 1)")
    parser.add_argument("--pace", type=float, default=5.0, help="how much faster than life (default 5, the most)")
    parser.add_argument("--at-once", type=int, default=2, metavar="N", help="benches side by side (default 2)")
    parser.add_argument("--pairs", metavar="NAMES", default=",".join(PAIRS), help="with commas between (default all)")
    parser.add_argument("--json", action="store_true", help="exactly one JSON document on standard output")
    args = parser.parse_args()
    if args.seeds < 1 or args.first < 0 or args.at_once < 1 or not 0.0 < args.pace <= 5.0:
        parser.error("--seeds and --at-once must be above zero, --first zero or above, --pace above zero and at most 5")
    if unknown := [name for name in args.pairs.split(",") if name not in PAIRS]:
        parser.error(f"no such pair: {', '.join(unknown)}; there are {', '.join(PAIRS)}")
    wanted = [name for name in PAIRS if name in args.pairs.split(",")]
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell lets what runs in its background ignore it
    signal.signal(signal.SIGTERM, lambda *_: signal.raise_signal(signal.SIGINT))
    seeds = range(args.first, args.first + args.seeds)
    try:
        rows = asyncio.run(_all(seeds, wanted, args.pace, args.at_once))
    except KeyboardInterrupt:
        print("Interrupted; the benches under way were ended.", file=sys.stderr)
        return 130
    if not rows:
        return 3
    pairs = {name: judged(name, {seed: row[name] for seed, row in rows.items()}) for name in wanted}
    if args.json:
        print(json.dumps({"seeds": [*rows], "pairs": {name: one.as_json() for name, one in pairs.items()}}))
    else:
        _show([*rows], pairs)
    if len(rows) < len(seeds):
        return 3
    return 0 if all(one.met for one in pairs.values()) else 1


async def _all(seeds: Sequence[int], wanted: Sequence[str], pace: float, at_once: int) -> dict[int, Row]:
    """These pairs of every seed whose bench came to its end; of the others it is told why not."""
    gate = asyncio.Semaphore(at_once)
    rows: dict[int, Row] = {}

    async def one(seed: int) -> None:
        async with gate:
            try:
                row = await compared(seed, wanted, pace)
            except (StackFailed, RunEnded, BenchdError, OSError) as failed:
                print(f"The bench of seed {seed} did not come to its end: {failed}", file=sys.stderr)
                return
        rows[seed] = row
        outside = [name for name, pair in row.items() if not pair.off.is_about(0.0)]
        print(f"seed {seed}: {', '.join(outside) or 'nothing'} outside", file=sys.stderr)

    async with asyncio.TaskGroup() as group:
        for seed in seeds:
            group.create_task(one(seed))
    return dict(sorted(rows.items()))


async def compared(seed: int, wanted: Sequence[str], pace: float) -> Row:
    """The bench of one seed, calibrated from an empty record, and these pairs on it."""
    async with (
        Stack(seed=seed, pace=pace, change=with_marks) as stack,
        stack.client("alike") as client,
    ):
        await client.command("take", beat=False)
        return await all_of(wanted, await ready(stack, client, Technician(stack, client, lambda _: None)))


async def all_of(wanted: Sequence[str], at: FindingBench) -> Row:
    """Calibrate, then measure each of these pairs in turn."""
    at.bench.hand("set", "wall_marks", MARKS_APART_MM)
    await at.technician.calibrate(list(RING))
    row = {}
    for name in wanted:
        await at.lit()
        row[name] = await PAIRS[name].compare(at)
    return row


def _show(seeds: Sequence[int], pairs: Mapping[str, Judged]) -> None:
    """A row a seed, each pair's difference beyond the expected one with its U; then what is demanded of each."""
    table = Table("seed", *(f"{name}, {PAIRS[name].unit}" for name in pairs))
    for seed in seeds:
        table.add_row(str(seed), *(one.shown(seed) for one in pairs.values()))
    table.add_section()
    table.add_row("hold", *(f"{one.holds} of {len(seeds)}" for one in pairs.values()))
    table.add_row("rms off / u", *(f"{one.rms:.2f}" for one in pairs.values()))
    out = wide(stderr=False)
    out.print(table)
    for name, one in pairs.items():
        out.print(f"{'met ' if one.met else 'NOT MET'}  {name}, {PAIRS[name].what}: {one.sentence}", highlight=False)


if __name__ == "__main__":
    sys.exit(main())
