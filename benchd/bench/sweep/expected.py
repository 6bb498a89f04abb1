"""Where best focus of the lens in the set-up is expected: where it was last, or where that of its model was."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.sweep.coarse_scan import FAR_UM
from benchd.files.records_folder import Records
from benchd.records.store import Store

ASSESSMENT = "flange"
RECENT = 30
"""Findings that are looked through for another lens of the model."""


async def expected_offset_um(store: Store, records: Records, setup: SetupDocument) -> float | None:
    """The offset (um); None where no finding tells. It chooses where a search begins, and enters no finding."""
    if setup.lens is None:
        return None
    lens = records.lens(setup.lens)
    model = {name for name, other in records.lenses.items() if lens.model and other.model == lens.model}
    own = await store.findings(assessment=ASSESSMENT, lens=setup.lens, limit=1)
    others = [] if own else await store.findings(assessment=ASSESSMENT, limit=RECENT)
    for doc in (*own, *(doc for doc in others if doc["lens"] in model)):
        offset_um = _offset_um(doc, setup, lens.shims_fitted_um if own else None)
        if offset_um is not None and abs(offset_um) <= FAR_UM:
            return offset_um
    return None


def _offset_um(doc: Mapping[str, Any], setup: SetupDocument, fitted_um: tuple[float, ...] | None) -> float | None:
    """Best focus by a finding, less what has been put under the lens since; None if that was set up otherwise."""
    ring = setup.ring if isinstance(setup.ring, str) or setup.ring is None else {"mark": setup.ring.mark}
    if (doc["measurand"]["arrangement"], doc["measurand"]["ring"]) != (setup.arrangement, ring):
        return None
    error: float | None = doc["values"]["focus_error"]["value"]
    if error is None or fitted_um is None or doc["advice"] is None:
        return error
    added_um: float = sum(fitted_um) - sum(doc["advice"]["fitted_um"])
    return error - added_um
