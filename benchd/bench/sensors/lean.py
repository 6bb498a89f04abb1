"""How the bench leans, kept with the run that goes by it."""

from __future__ import annotations

from benchd.bench.notices import Notices
from benchd.bench.run_record import RunRecord, keep_and_publish
from benchd.bench.sensors.sensors import Sensors
from benchd.records.store import Store
from benchd.records.values import ReadingRow


async def keep_lean(sensors: Sensors, run: RunRecord, store: Store, notices: Notices) -> list[str]:
    """A sentence where it leans too much. Raises Refused('limit'), BenchdError where it cannot be kept."""
    found = await sensors.level()
    if found is None:
        return []
    reading, sentences = found
    if reading.quality != "bad":
        row = ReadingRow(
            run=run.id,
            idx=run.next_index(),
            t_utc=reading.t_utc,
            t_mono=reading.t_mono,
            offset_um=None,
            carriage_um=None,
            device="level",
            channel="level",
            value=reading.value,
            unit=reading.unit,
            quality=reading.quality,
        )
        await keep_and_publish(store, notices, [row])
    return sentences
