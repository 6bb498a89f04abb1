"""What was measured from the target to the wall, once another lens, adapter, plate or ring has moved the target.

Bench and wall stand where they stood, and nominal says how far the target has moved between them: distance and
magnification are carried over by that. Without a lens the target belongs nowhere; then `setup.apply` drops them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

from benchd.arrangements.registry import arrangement
from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.datum.chain import Chain
from benchd.files.records_folder import Records
from benchd.optics.conjugate import magnification

MOVES_TARGET = ("lens", "adapters", "glass", "ring")


def carried_over(
    before: SetupDocument,
    then: Chain,
    after: SetupDocument,
    chain_of: Callable[[SetupDocument], Chain],
    stated: Collection[str],
    records: Records,
) -> SetupDocument:
    """`after` with the distance (mm) and m, where they were not `stated` anew, as the target's new place has them."""
    if (
        after.lens is None
        or not arrangement(after.arrangement).moves_target
        or not _moved(before, after)
        or "distance_mm" in stated
    ):
        return after
    now = chain_of(after)
    if then.carriage_um is None or now.carriage_um is None:
        return after
    deeper_mm = ((now.carriage_um - now.trim_um) - (then.carriage_um - then.trim_um)) / 1000.0
    update: dict[str, Any] = {}
    if after.distance_mm is not None:
        # To a micrometre: there and back it is what it was.
        update["distance_mm"] = round(after.distance_mm + deeper_mm, 3)
    if after.m is not None and "m" not in stated:
        m, f_mm = after.m.value, records.lens(after.lens).focal_length_mm.value
        # From T - h = f (1 + m)^2 / m: whatever T and h are, their difference grows by what the target has moved.
        reach_mm = f_mm * (1.0 + m) ** 2 / m + deeper_mm
        update["m"] = after.m.model_copy(update={"value": round(magnification(f_mm, reach_mm), 12)})
    return after.model_copy(update=update)


def _moved(before: SetupDocument, after: SetupDocument) -> bool:
    return any(getattr(before, key) != getattr(after, key) for key in MOVES_TARGET)
