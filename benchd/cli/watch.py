"""`benchd watch`: prints the bench's messages as they arrive."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.client import BenchClient


def arguments(parser: argparse.ArgumentParser) -> None:
    """Which topics, and how they are shown."""
    parser.add_argument(
        "topic", nargs="?", help="below benchd/<bench>/, with + and # as in MQTT: device/+, event (all but the beat)"
    )
    parser.add_argument("--json", action="store_true", help='a JSON object a line: {"topic":..,"doc":..}')
    options.reach(parser)


def run(args: argparse.Namespace) -> int:
    """Until interrupted, or until the bench is gone."""
    from benchd.cli.guard import UsageError
    from benchd.cli.speak import with_bench

    wanted = _below(args.topic)
    if not _is_filter(wanted):
        raise UsageError(f"'{args.topic}' is no topic filter: # ends it, + stands for one whole level")

    async def follow(bench: BenchClient) -> int:
        from benchd.cli.lines import line

        async for topic, doc in bench.watch(wanted):
            if topic == "beat" and args.topic is None:
                continue
            text = json.dumps({"topic": topic, "doc": doc}, ensure_ascii=False) if args.json else line(topic, doc)
            print(text, flush=True)
            if topic == "online" and doc is not True:
                break
        return exits.DONE

    try:
        return with_bench(args, follow)
    except KeyboardInterrupt:
        return exits.DONE


def _below(topic: str | None) -> str:
    """The filter below the bench; a whole topic, as `mosquitto_sub` wants it, is understood as well."""
    if topic is None:
        return "#"
    if topic.startswith("benchd/"):
        return topic.split("/", 2)[-1]
    return topic


def _is_filter(topic: str) -> bool:
    levels = topic.split("/")
    hashes = [index for index, level in enumerate(levels) if "#" in level]
    if hashes and (hashes != [len(levels) - 1] or levels[-1] != "#"):
        return False
    return bool(topic) and all(level == "+" or "+" not in level for level in levels)
