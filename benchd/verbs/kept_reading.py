"""A reading that is kept with its run, of a gauge that was seen to stand, and to follow where it must."""

from __future__ import annotations

from benchd.bench.datum.gauge_check import GaugeDoesNotFollow, check_moved, earlier
from benchd.bench.requests import readable
from benchd.bench.run_record import keep_and_tell
from benchd.devices import DeviceError, Gauge
from benchd.quantities import printed_unit
from benchd.records.values import ReadingRow
from benchd.verbs.order import InRun
from benchd.verbs.seating import Seating

WRONG = {"bad": "which is out of its range", "suspect": "which is doubtful"}


async def keep_reading(device: str, name: str, moved_from: str | None, order: InRun) -> None:
    """Take it and keep it, held against an earlier one where that is asked. Raises Refused, DeviceError."""
    seating = Seating(order.asks, order.prompt, order.gate)
    if moved_from is None:
        row = await seating.until_it_stands(lambda _: _kept(device, name, order))
    else:
        row = await _followed(device, name, moved_from, order, seating)
    order.run.named.setdefault(name, []).append(row)


async def _followed(device: str, name: str, moved_from: str, order: InRun, seating: Seating) -> ReadingRow:
    """A reading that is more or less than the one before it by what the carriage has moved since.

    Where it is not, the gauge may have stood wrong at both, so both are taken anew: the carriage goes back to where
    the one before was taken, the gauge is seated there, read, the carriage comes here again. The first reading of
    the two then counts no more; the record keeps it.
    """
    bench, run = order.bench, order.run
    before = run.named.get(moved_from, [])
    stood_um = earlier(before, device).carriage_um or 0.0
    here_um = (await bench.carriage.read()).value

    async def go(to_um: float) -> None:
        run.stands_um = to_um
        await seating.through_stops(lambda: bench.move_carriage(to_um, since=bench.carriage.stops))

    async def take(again: bool) -> ReadingRow:
        if again:
            before[-1] = await _kept(device, moved_from, order)
            await go(here_um)
        row = await _kept(device, name, order)
        check_moved(bench, before[-1], row)
        return row

    run.stands_um = here_um
    return await seating.until_it_stands(take, lambda: go(stood_um))


async def _kept(device: str, name: str, order: InRun) -> ReadingRow:
    """One reading, on disk before it is told. Raises StandsWrong, DeviceError."""
    bench, run = order.bench, order.run
    try:
        reading = await bench.read(device)
    except DeviceError as fault:
        if not isinstance(readable(bench.assembly, device), Gauge):
            raise
        raise GaugeDoesNotFollow(fault.code, fault.text, advice=fault.advice, data=fault.data) from fault
    if reading.quality != "good":
        raise GaugeDoesNotFollow(
            "not_found",
            f"{device} reads {reading.value:g} {printed_unit(reading.unit)}, {WRONG[reading.quality]}.",
            advice="See that it stands as asked, and that the carriage brings the target within its range.",
        )
    place = (await bench.carriage.read()).value
    row = ReadingRow(
        run=run.id,
        idx=run.next_index(),
        t_utc=reading.t_utc,
        t_mono=reading.t_mono,
        offset_um=bench.setup.chain.places.offset_um(place),
        carriage_um=place,
        device=device,
        channel=name,
        value=reading.value,
        unit=reading.unit,
        quality=reading.quality,
    )
    await keep_and_tell(bench.store, bench.notices, [row])
    return row
