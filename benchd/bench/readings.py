"""The one way of a reading to whoever listens: onto the disk first. What was told is never lost."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.bench.notices import Notices
from benchd.records.store import Store
from benchd.records.values import ReadingRow

TOPIC = "reading"


async def keep_and_tell(store: Store, notices: Notices, rows: Sequence[ReadingRow]) -> None:
    """Keep the rows, all or none, then tell each. Raises BenchdError (disk_full, ..); nothing was told then."""
    await store.add_readings(rows)
    for row in rows:
        notices.tell(TOPIC, row.as_json())
