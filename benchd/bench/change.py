"""A change of the set-up, whole or not at all, and the carriage that follows it into the new chain."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.bench.bench import Bench
from benchd.bench.chain import carriage_for_offset, depth_um, offset_um
from benchd.bench.clearance import check_clearance
from benchd.bench.setup import SetupDocument
from benchd.errors import Refused


async def change_setup(
    bench: Bench,
    changes: Mapping[str, Any],
    *,
    rev: int | None = None,
    follow: bool = False,
    since: int | None = None,
) -> SetupDocument:
    """Change the set-up whole or not at all; with `follow` the carriage keeps its offset in the new chain.

    Checked before anything changes: names, mating, and for the place it will stand at, limits and clearance.
    """
    since = bench.carriage.stops if since is None else since
    target = await follow_target(bench, changes, rev, follow=follow)
    before = bench.setup.document.lens
    await bench.setup.change(changes, rev)
    lens = bench.setup.document.lens
    if lens != before:
        _clear_findings(bench)
        if lens is not None:
            await bench.store.put_lens(lens, bench.loaded.records.lens(lens).model_dump(mode="json"))
    if target is not None:
        await bench.move_carriage(target, since=since)
    return bench.setup.document


def check_change(bench: Bench, changes: Mapping[str, Any], *, rev: int | None, follow: bool) -> None:
    """Raise Refused for a change that may not be made, before anything is."""
    _, chain = bench.setup.preview(changes, rev)
    if follow:
        bench.trust.require()
        if chain.carriage_um is None:
            raise Refused("bad_request", "There is no lens to follow.", advice="Leave 'follow' out.")


async def follow_target(bench: Bench, changes: Mapping[str, Any], rev: int | None, *, follow: bool) -> float | None:
    """Where the carriage goes with the change (None: nowhere), after clearance of where it will stand."""
    check_change(bench, changes, rev=rev, follow=follow)
    new, chain = bench.setup.preview(changes, rev)
    if not bench.trust.homed:
        return None
    stands = target = (await bench.carriage.read()).value
    if follow:
        offset = offset_um(bench.setup.chain, stands)
        wanted = new.trim_um if offset is None or bench.setup.document.stale else offset
        target = carriage_for_offset(chain, wanted) or 0.0
    overshoot = bench.carriage.overshoot_um if follow else 0.0
    # A lens nobody has measured is asked about before it moves, not when it is written into the set-up.
    confirmed = not follow or bench.setup.rear_confirmed
    check_clearance(bench.setup.clearance_of(new), depth_um(chain, target - overshoot), confirmed=confirmed)
    return target if follow else None


def _clear_findings(bench: Bench) -> None:
    """Another lens: what was found of the last one is history, not state."""
    for topic, doc in bench.notices.snapshot().items():
        if topic.startswith("finding/") and doc["lens"] is not None:
            bench.notices.put(topic, None)
