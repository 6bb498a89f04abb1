"""What of the drawer can stand on this bench: seats that are offered, from the base upwards."""

from __future__ import annotations

from benchd.files.bench_file import BenchFile
from benchd.files.records_folder import Records


def fits_nowhere(file: BenchFile, records: Records) -> list[str]:
    """A sentence for each adapter and lens whose seat neither the bench nor any adapter that fits offers.

    It may belong to another bench that shares the drawer, or its seat is mistyped: that is for a person to say.
    """
    offered = {file.seat: None}
    left = list(records.adapters.values())
    while fitting := [adapter for adapter in left if adapter.seat_below in offered]:
        offered |= {adapter.seat_above: None for adapter in fitting}
        left = [adapter for adapter in left if adapter not in fitting]
    seats = ", ".join(offered)
    says = [f"Adapter {one.id} rests on {one.seat_below}" for one in left]
    says += [f"Lens {one.id} has mount {one.mount}" for one in records.lenses.values() if one.mount not in offered]
    return [f"{one}, which nothing here offers (offered: {seats}): it can stand nowhere on this bench." for one in says]
