"""A change of the set-up, whole or not at all, and the carriage that follows it to where the new chain says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.came_to import came_to
from benchd.bench.chain import depth_um
from benchd.bench.clearance import check_clearance
from benchd.errors import Refused


async def change_setup(
    bench: Bench,
    changes: Mapping[str, Any],
    *,
    rev: int | None = None,
    follow: bool = False,
    since: int | None = None,
) -> dict[str, Any]:
    """Change the set-up whole or not at all; with `follow` the carriage is then driven to the new nominal place.

    Gives what it came to, as answered (`came_to`).

    To follow is `nominal` by the new chain, its trim included, from wherever the carriage stood: only there is the
    position no longer stale. Raises Refused as `check_change` does; then nothing has changed.
    """
    since = bench.carriage.stops if since is None else since
    await check_change(bench, changes, rev=rev, follow=follow)
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


async def check_change(bench: Bench, changes: Mapping[str, Any], *, rev: int | None, follow: bool) -> dict[str, Any]:
    """Raise Refused for a change that may not be made, before anything is; gives what it will come to (`came_to`).

    Names and mating; with `follow` that the bench is homed and the new nominal place within the limits; and clearance
    there, or where the carriage stands and stays.
    """
    new, chain = bench.setup.preview(changes, rev)
    will_be = came_to(bench.setup.document, bench.setup.chain, new, chain, changes)
    limit = bench.setup.clearance_of(new)
    if follow:
        bench.trust.require()
        if chain.carriage_um is None:
            raise Refused("bad_request", "There is no lens to follow.", advice="Leave 'follow' out.")
        bench.carriage.check_limits(chain.carriage_um)
        nearest = chain.carriage_um - bench.carriage.overshoot_um
    elif bench.trust.homed and limit.question is None:
        nearest = (await bench.carriage.read()).value
    else:  # a lens nobody has measured is asked about before anything moves, not when it is written into the set-up
        return will_be
    check_clearance(limit, depth_um(chain, nearest))
    return will_be


def _clear_findings(bench: Bench) -> None:
    """Another lens: what was found of the last one is history, not state."""
    for topic, doc in bench.notices.snapshot().items():
        if topic.startswith("finding/") and doc["lens"] is not None:
            bench.notices.put(topic, None)
