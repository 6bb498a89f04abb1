"""`benchd rearm`: lets an emergency stop go that was pressed and released, on the bench's own machine alone."""

from __future__ import annotations

import argparse
import json

from benchd.cli import exits, options

CAUTION = "Nothing moves by itself. Look that nobody reaches into the bench, then home it: `benchd do home`."


def arguments(parser: argparse.ArgumentParser) -> None:
    """Which of the benches on this machine."""
    parser.add_argument("--bench", metavar="NAME", help="its name; needed where several run here")
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 where it is re-armed. Raises Refused with the reason where it is not."""
    from benchd.cli.running import one_here
    from benchd.local.rearm_socket import ask_to_rearm

    result = ask_to_rearm(str(one_here(args.bench).bench))
    if args.json:
        print(json.dumps({"ok": True, "result": result}))
    else:
        print(f"The emergency stop ({result['rearmed']}) is re-armed. {CAUTION}")
    return exits.DONE
