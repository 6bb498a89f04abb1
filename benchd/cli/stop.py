"""`benchd stop`: stops everything that moves. Needs neither control nor a healthy bench."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.client import BenchClient

HEARD_S = 2.0

PAUSED_S = 0.5
"""Time limit after a stop for the run under way to be published as paused."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """An axis may be named, and everything stops all the same."""
    parser.add_argument("axis", nargs="?", help="may be named; everything that moves stops all the same")
    options.reach(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 if the bench confirms the stop, 3 if it was sent without a confirmation.

    Raises BenchdError where the bench answers that something was not stopped.
    """
    import asyncio

    from benchd.cli.speak import client_of

    async def stop() -> tuple[bool, str | None]:
        async with client_of(args) as bench:
            events = bench.events()
            await bench.stop(args.axis)
            try:
                async with asyncio.timeout(HEARD_S):
                    async for _, event in events:
                        if event.get("code") == "stopped":
                            break
            except TimeoutError:
                return False, None
            await bench.stop_answered()  # a stop that failed is over as well
            return True, await _paused(bench)

    try:
        heard, run_id = asyncio.run(stop())
    except KeyboardInterrupt:
        raise KeyboardInterrupt("Interrupted; whether the stop was sent is not known. Send it again.") from None
    if args.json:
        print(json.dumps({"ok": heard, "stopped": heard, "paused": run_id}))
    elif heard and run_id is not None:
        then = f"`benchd do resume run={run_id}` goes on, `benchd do abort run={run_id}` ends it."
        print(f"Stopped. {run_id} is paused: {then}")
    elif heard:
        print("Stopped.")
    else:
        print(f"Stop sent, but the bench did not say within {HEARD_S:g} s that it stopped. Use the emergency stop.")
    return exits.DONE if heard else exits.FAULT


async def _paused(bench: BenchClient) -> str | None:
    """The run that the stop paused, if one was under way."""
    import asyncio

    try:
        async with asyncio.timeout(PAUSED_S):
            async for _, doc in bench.watch("procedure"):
                if doc is None or doc.get("state") not in ("running", "asking"):
                    return doc["run"] if doc is not None and doc.get("state") == "paused" else None
    except TimeoutError:
        pass  # it was ending already, or the bench publishes no runs
    return None
