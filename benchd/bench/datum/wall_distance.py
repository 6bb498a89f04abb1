"""Wall distance and magnification, carried over when another lens, adapter, plate or ring has moved the target.

Bench and wall have not moved, and the change of nominal is how far the target has moved between them: distance and
magnification are corrected by that. Without a lens the target has no position; then `setup.apply` drops them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

from benchd.arrangements.registry import arrangement
from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.datum.chain import Chain
from benchd.files.records_folder import Records
from benchd.optics.conjugate import magnification

KEYS_MOVING_TARGET = ("lens", "adapters", "glass", "ring")


def carry_over(
    before: SetupDocument,
    then: Chain,
    after: SetupDocument,
    chain_of: Callable[[SetupDocument], Chain],
    stated: Collection[str],
    records: Records,
) -> SetupDocument:
    """`after` with distance (mm) and m corrected for the target's new position, unless they were `stated` anew."""
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
        # Rounded to 1 um, so that a change and its reversal give the old value.
        update["distance_mm"] = round(after.distance_mm + deeper_mm, 3)
    if after.m is not None and "m" not in stated:
        m, f_mm = after.m.value, records.lens(after.lens).focal_length_mm.value
        # From T - h = f (1 + m)^2 / m: T - h grows by what the target has moved, whatever T and h are.
        reach_mm = f_mm * (1.0 + m) ** 2 / m + deeper_mm
        update["m"] = after.m.model_copy(update={"value": round(magnification(f_mm, reach_mm), 12)})
    return after.model_copy(update=update)


def _moved(before: SetupDocument, after: SetupDocument) -> bool:
    return any(getattr(before, key) != getattr(after, key) for key in KEYS_MOVING_TARGET)
