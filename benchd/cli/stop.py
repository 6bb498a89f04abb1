"""`benchd stop`: everything that moves stops now. Needs neither control nor a bench that is well."""

from __future__ import annotations

import argparse
import json

from benchd.cli import exits, options

HEARD_S = 2.0


def arguments(parser: argparse.ArgumentParser) -> None:
    """An axis, or everything."""
    parser.add_argument("axis", nargs="?", help="this axis alone, such as carriage")
    options.reach(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 when the bench says that it stopped, 3 when it was sent and nothing was heard."""
    import asyncio

    from benchd.cli.running import meant
    from benchd.cli.speak import user_of
    from benchd.client import BenchClient

    async def stop() -> bool:
        at = meant(args)
        async with BenchClient(at.host, at.port, bench=at.bench, user=user_of(args)) as bench:
            events = bench.events()
            await bench.stop(args.axis)
            try:
                async with asyncio.timeout(HEARD_S):
                    async for _, event in events:
                        if event.get("code") == "stopped":
                            return True
            except TimeoutError:
                pass
            return False

    heard = asyncio.run(stop())
    if args.json:
        print(json.dumps({"ok": heard, "stopped": heard}))
    elif heard:
        print("Stopped. A run under way is paused; `benchd do resume run=..` or `benchd do abort run=..`.")
    else:
        print(f"Stop sent, but the bench did not say within {HEARD_S:g} s that it stopped. Use the emergency stop.")
    return exits.DONE if heard else exits.FAULT
