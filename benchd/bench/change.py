"""A change of the set-up, whole or not at all, and the carriage that follows it to where the new chain says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.came_to import came_to


async def change_setup(
    bench: Bench, changes: Mapping[str, Any], *, rev: int | None = None, follow: bool = False, since: int
) -> dict[str, Any]:
    """Change the set-up whole or not at all; with `follow` the carriage is then driven to the new nominal place.

    Gives what it came to, as answered (`came_to`). Whether there is room is for the verb to see before (`foresee`).

    To follow is `nominal` by the new chain, its trim included, from wherever the carriage stood: only there is the
    position no longer stale. `since` is the count of stops when it was asked for. Raises Refused where names, mating or
    the revision forbid it, or the drive; in the first case nothing has changed.
    """
    before, then = bench.setup.document, bench.setup.chain
    try:
        await bench.setup.change(changes, rev)
    finally:  # a change that is broken off may have been made
        lens = bench.setup.document.lens
        if lens != before.lens:
            _clear_findings(bench)
    told = came_to(before, then, bench.setup.document, bench.setup.chain, changes)
    if lens is not None and lens != before.lens:
        await bench.store.put_lens(lens, bench.loaded.records.lens(lens).model_dump(mode="json"))
    if follow:
        await bench.nominal(since=since)
    return told


def will_come_to(bench: Bench, changes: Mapping[str, Any]) -> dict[str, Any]:
    """What a change would come to, as answered. Raises Refused."""
    new, chain = bench.setup.preview(changes)
    return came_to(bench.setup.document, bench.setup.chain, new, chain, changes)


def _clear_findings(bench: Bench) -> None:
    """Another lens: what was found of the last one is history, not state."""
    for topic, doc in bench.notices.snapshot().items():
        if topic.startswith("finding/") and doc["lens"] is not None:
            bench.notices.put(topic, None)
