"""`benchd shim`: what is under a lens, what was put there or taken out, and when."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.client import BenchClient

_AMOUNT = re.compile(r"[+-][0-9]+(\.[0-9]+)?")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Of which lens, and what was added or taken out."""
    parser.add_argument("lens", help="L-0417")
    parser.add_argument("amounts", nargs="*", metavar="+UM", help="+10 was put under it, -20 was taken out (µm)")
    options.reach(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 done, 1 refused: nothing was noted then."""
    from benchd.cli.guard import UsageError
    from benchd.cli.lens import stands, told
    from benchd.cli.speak import with_bench

    for amount in args.amounts:
        if not _AMOUNT.fullmatch(amount) or float(amount) == 0.0:
            raise UsageError(f"shim: '{amount}' is no amount; +10 was put under the lens, -20 was taken out")

    async def work(bench: BenchClient) -> int:
        before = (await stands(bench, args.lens)).get("shims_fitted_um", [])
        if not args.amounts:
            return _told(args, before)
        now = fitted(args.lens, before, [float(amount) for amount in args.amounts])
        answer = await bench.command(
            "record", beat=False, kind="lens", id=args.lens, set={"shims_fitted_um": now},
            was={"shims_fitted_um": before},
        )  # fmt: skip
        if not args.json:
            print(f"Under {args.lens}: {_sum(before)} before, {_sum(now)} now.")
        return told(args, answer)

    return with_bench(args, work)


def fitted(lens: str, before: Sequence[float], amounts: Sequence[float]) -> list[float]:
    """The shims (µm) after these were added or, below 0, taken out. Raises Refused for one that is not there."""
    from benchd.errors import Refused

    shims = list(before)
    for amount in amounts:
        if amount > 0.0:
            shims.append(amount)
        elif -amount in shims:
            shims.remove(-amount)
        else:
            text = f"There is no shim of {-amount:g} µm under {lens}: {_sum(shims)}."
            raise Refused(
                "bad_request", text, advice="Take out what is there, each by itself, and add what was put in."
            )
    return [int(um) if float(um).is_integer() else um for um in shims]


def _told(args: argparse.Namespace, now: Sequence[float]) -> int:
    from benchd.cli import tables
    from benchd.cli.console import out

    changes = _history(args, args.lens)
    if args.json:
        print(json.dumps({"lens": args.lens, "fitted_um": now, "changes": changes}))
        return exits.DONE
    console = out()
    console.print(f"Under {args.lens}: {_sum(now)}.")
    if changes:
        rows = [[one["at"], _sum(one["was"]), _sum(one["now"]), one["by"] or "in its file"] for one in changes]
        console.print(tables.plain([("At", "left"), ("Was", "left"), ("Then", "left"), ("By", "left")], rows))
    return exits.DONE


def _history(args: argparse.Namespace, lens: str) -> list[dict[str, Any]]:
    """The changes of its shims that the bench has seen, oldest first; none where its record is not on this machine."""
    from benchd.cli.recorded import opened

    if args.host is not None:
        return []
    args.store = args.bench_file = None
    with opened(args) as reader:
        events = reader.record_changes(lens)
    return [
        {
            "at": event.at,
            "was": one["was"]["shims_fitted_um"],
            "now": one["now"]["shims_fitted_um"],
            "by": event.data["by"],
        }
        for event in events
        for one in event.data["changes"]
        if one["record_id"] == lens and "shims_fitted_um" in one["now"]
    ]


def _sum(shims: Sequence[float]) -> str:
    if not shims:
        return "no shim"
    parts = " + ".join(f"{um:g}" for um in shims)
    return f"{parts} µm" if len(shims) == 1 else f"{parts} = {sum(shims):g} µm"
