"""Take a reading and keep it with its run; a gauge is checked to follow the carriage where a step asks for that."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.bench.datum.gauge_check import GaugeDoesNotFollow, check_moved, reading_to_compare
from benchd.bench.requests import readable
from benchd.bench.run_record import RunRecord, keep_and_publish
from benchd.devices import DeviceError, Gauge, Operator
from benchd.quantities import printed_unit
from benchd.records.values import ReadingRow
from benchd.verbs.order import InRun
from benchd.verbs.seating import Seating

if TYPE_CHECKING:
    from benchd.bench.bench import Bench

WRONG = {"bad": "which is out of its range", "suspect": "which is doubtful"}


async def keep_reading(device: str, name: str, moved_from: str | None, order: InRun) -> None:
    """Take and keep a reading, compared with the earlier reading `moved_from` if given. Raises Refused, DeviceError."""
    seating = Seating(order.asks, order.prompt, order.gate)
    if moved_from is None:
        row = await seating.read_reseating(lambda _: _take_and_keep(device, name, order))
    else:
        row = await _take_after_move(device, name, moved_from, order, seating)
    order.run.named.setdefault(name, []).append(row)


async def keep_answer(bench: Bench, run: RunRecord, value: float, unit: str, name: str) -> None:
    """Keep a number that a person has read off and typed as a reading of the run. Raises BenchdError."""
    operator = next(name for name, device in bench.assembly.devices.items() if isinstance(device, Operator))
    row = ReadingRow(
        run=run.id,
        idx=run.next_index(),
        t_utc=bench.clock.utc(),
        t_mono=bench.clock.monotonic(),
        offset_um=None,
        carriage_um=None,
        device=operator,
        channel=name,
        value=value,
        unit=unit,
    )
    await keep_and_publish(bench.store, bench.notices, [row])
    run.named.setdefault(name, []).append(row)


async def _take_after_move(device: str, name: str, moved_from: str, order: InRun, seating: Seating) -> ReadingRow:
    """A reading that differs from the earlier one by the distance that the carriage has moved since.

    If it does not, the gauge may have been badly seated at both, so both are repeated: the carriage goes back to where
    the earlier one was taken, the gauge is seated and read there, and the carriage returns here. The replaced earlier
    reading no longer counts; the record keeps it.
    """
    bench, run = order.bench, order.run
    before = run.named.get(moved_from, [])
    stood_um = reading_to_compare(before, device).carriage_um or 0.0
    here_um = (await bench.carriage.read()).value

    async def go(to_um: float) -> None:
        run.moved_to_um = to_um
        await seating.move_through_stops(lambda: bench.move_carriage(to_um, since=bench.carriage.stops))

    async def take(again: bool) -> ReadingRow:
        if again:
            before[-1] = await _take_and_keep(device, moved_from, order)
            await go(here_um)
        row = await _take_and_keep(device, name, order)
        check_moved(bench.assembly.named(row.device, Gauge).spec, bench.scale, before[-1], row)
        return row

    run.moved_to_um = here_um
    return await seating.read_reseating(take, lambda: go(stood_um))


async def _take_and_keep(device: str, name: str, order: InRun) -> ReadingRow:
    """One reading, on disk before it is published. Raises GaugeDoesNotFollow, DeviceError."""
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
    await keep_and_publish(bench.store, bench.notices, [row])
    return row
