"""Findings kept published: those of the present lens, again after a restart; those of another lens are cleared."""

from __future__ import annotations

from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.notices import Notices
from benchd.records.store import Store


async def republish_findings(store: Store, notices: Notices, setup: SetupDocument) -> None:
    """Publish the latest finding of each kind, as if the daemon had not been restarted.

    The finding of a lens is published only if that lens has stayed in the set-up since: a lens that was taken out and
    put back is seated anew, so older findings no longer apply. A finding without a lens is always published.
    """
    since = await store.lens_since(setup.lens)
    for name in await store.assessments():
        for doc in await store.findings(assessment=name, limit=1):
            if doc["lens"] is None or (doc["lens"] == setup.lens and doc["setup"] >= since):
                notices.put(f"finding/{name}", doc)


def forget_findings_of_lens(notices: Notices) -> None:
    """Clear the kept findings of a lens, after a change of lens."""
    for topic, doc in notices.snapshot().items():
        if topic.startswith("finding/") and doc["lens"] is not None:
            notices.put(topic, None)
