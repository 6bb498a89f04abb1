"""A change of the set-up, whole or not at all, its outcome, and the move to the new nominal."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from benchd.arrangements.setup_document import CLEARED_WITH, SETTABLE, RingMark, SetupDocument
from benchd.bench.datum.chain import Chain
from benchd.bench.kept_findings import forget_findings_of_lens
from benchd.bench.rings.angles import angles_for

if TYPE_CHECKING:
    from benchd.bench.bench import Bench


def change_outcome(
    before: SetupDocument, then: Chain, after: SetupDocument, now: Chain, stated: Collection[str]
) -> dict[str, Any]:
    """The answer to `setup`: rev, set, dropped, carried, nominal_carriage_um, moved_um, absolute, why_relative.

    `stated` are the keys that the change named. Of the other keys, one that is null now was dropped, one with another
    value was carried over to the target's new position. Positions are null without a lens, and so is `absolute`;
    `moved_um` also if there was no nominal before.
    """
    old, new = (document.model_dump(mode="json", include=set(SETTABLE)) for document in (before, after))
    changed = [key for key in SETTABLE if old[key] != new[key]]
    unasked = [key for key in changed if key not in stated]
    moved = None if then.carriage_um is None or now.carriage_um is None else now.carriage_um - then.carriage_um
    return {
        "rev": after.rev,
        "set": {key: new[key] for key in changed if key in stated},
        "dropped": [
            {"key": key, "was": old[key], "why": _why(key, changed, old)} for key in unasked if new[key] is None
        ],
        "carried": [{"key": key, "was": old[key], "now": new[key]} for key in unasked if new[key] is not None],
        "nominal_carriage_um": _rounded(now.carriage_um),
        "moved_um": _rounded(moved),
        "absolute": None if now.carriage_um is None else now.absolute,
        "why_relative": [] if now.carriage_um is None else list(now.why_relative),
    }


def _why(key: str, changed: Collection[str], old: dict[str, Any]) -> str:
    """A clause: what the value was stated for, which has changed."""
    if key == "distance_mm":
        return "it is counted from the target, and without a lens nobody knows where that stood"
    cause = next(cause for cause, described in CLEARED_WITH.items() if key in described and cause in changed)
    was = old[cause]
    if cause == "distance_mm":
        return "it was measured without a distance" if was is None else f"it was measured at {was:g} mm"
    return "it was stated without a lens" if was is None else f"it was stated of lens {was}"


def _rounded(place_um: float | None) -> float | None:
    return None if place_um is None else round(place_um, 1)


async def change_setup(
    bench: Bench,
    changes: Mapping[str, Any],
    *,
    rev: int | None = None,
    follow: bool = False,
    since: int,
) -> dict[str, Any]:
    """Change the set-up whole or not at all; with `follow` what turns and the carriage then go where it says.

    Gives the answer (`change_outcome`). Clearance has been checked by the verb before (`foresee`).

    `follow` is `nominal` by the new chain, trim included: only there is the position no longer stale. `since` is the
    number of stops at the time of the request. Raises Refused if names, mating or the revision forbid the change, which
    is then not made, or if the drive is refused.
    """
    after, _ = bench.setup.preview(changes, rev)  # what is refused changes nothing, what sensors tell included
    _check_rings(bench, after, changes)
    await bench.sensors.check_typed(changes)
    if await bench.enter_readings():
        rev = None  # it was that one
    before, then = bench.setup.document, bench.setup.chain
    try:
        await bench.setup.change(changes, rev)
    finally:  # a cancelled change may have been made
        lens = bench.setup.document.lens
        if lens != before.lens:
            forget_findings_of_lens(bench.notices)
    outcome = change_outcome(before, then, bench.setup.document, bench.setup.chain, changes)
    if lens is not None and lens != before.lens:
        await bench.store.put_lens(lens, bench.loaded.records.lens(lens).model_dump(mode="json"))
    if follow:
        await bench.go_where_set_up(since=since)
    return outcome


def _check_rings(bench: Bench, after: SetupDocument, stated: Collection[str]) -> None:
    """Raise Refused for a mark that no angle is known of, where an axis turns that ring."""
    ring = after.ring.model_dump() if isinstance(after.ring, RingMark) else after.ring
    angles_for(after.lens, ring, after.f_number, bench.loaded.records, bench.turners, stated=stated)


def preview_outcome(bench: Bench, changes: Mapping[str, Any]) -> dict[str, Any]:
    """The answer that a change would get. Raises Refused."""
    new, chain = bench.setup.preview(changes)
    return change_outcome(bench.setup.document, bench.setup.chain, new, chain, changes)
