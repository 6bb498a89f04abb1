"""Findings that stay published: those of what stands now, told again after a restart; those of another lens are not."""

from __future__ import annotations

from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.notices import Notices
from benchd.records.store import Store


async def tell_standing(store: Store, notices: Notices, setup: SetupDocument) -> None:
    """Put out the latest finding of each kind, as it would still be kept had the daemon not ended.

    One of a lens is told if that lens has stood in the set-up ever since: one that was taken out and put back has
    another seat, and what was found of it before is history. One of no lens (a length, a zero) is told at any time.
    """
    since = await store.lens_since(setup.lens)
    for name in await store.assessments():
        for doc in await store.findings(assessment=name, limit=1):
            if doc["lens"] is None or (doc["lens"] == setup.lens and doc["setup"] >= since):
                notices.put(f"finding/{name}", doc)


def forget_findings_of_lens(notices: Notices) -> None:
    """Another lens: what was found of the last one is history, not state."""
    for topic, doc in notices.snapshot().items():
        if topic.startswith("finding/") and doc["lens"] is not None:
            notices.put(topic, None)
