"""Which records fit this bench: seats that are offered, from the base upwards."""

from __future__ import annotations

from benchd.files.bench_file import BenchFile
from benchd.files.records_folder import Records


def fits_nowhere(file: BenchFile, records: Records) -> list[str]:
    """A sentence for each adapter and lens whose seat neither the bench nor any adapter that fits offers.

    It may belong to another bench that shares the records, or its seat is mistyped: a person has to decide.
    """
    offered = {file.seat: None}
    left = list(records.adapters.values())
    while fitting := [adapter for adapter in left if adapter.seat_below in offered]:
        offered |= {adapter.seat_above: None for adapter in fitting}
        left = [adapter for adapter in left if adapter not in fitting]
    seats = ", ".join(offered)
    found = [f"Adapter {adapter.id} rests on {adapter.seat_below}" for adapter in left]
    found += [f"Lens {lens.id} has mount {lens.mount}" for lens in records.lenses.values() if lens.mount not in offered]
    why = f"which nothing here offers (offered: {seats}): it can stand nowhere on this bench."
    return [f"{part}, {why}" for part in found]
