"""The step `read`: a reading kept with its run, and a gauge that stands wrong seated again by whoever is asked."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

from benchd.bench.asked_for import readable
from benchd.bench.bench import Bench
from benchd.bench.chain import offset_um
from benchd.bench.gate import Gate
from benchd.bench.gauge_moved import StandsWrong, check_moved, earlier
from benchd.bench.jobs import Stopped
from benchd.bench.readings import keep_and_tell
from benchd.bench.run_record import RunRecord
from benchd.devices import DeviceError, Gauge
from benchd.procedures.prompts import Prompts
from benchd.procedures.scope import Scope
from benchd.quantities import printed_unit
from benchd.records.values import ReadingRow

SEATED_AGAIN = 3
"""So often a person may set a gauge down again before the run fails: thirty questions are not lost by one."""
AGAIN = "Seat it again as the question before asked, then it is read again."
WRONG = {"bad": "which is out of its range", "suspect": "which is doubtful"}


async def _nowhere() -> None:
    """The carriage stays where it is."""


@dataclass(frozen=True, slots=True)
class Seating:
    """Whoever is at the bench of a run, asked to seat a gauge again that stands wrong."""

    prompts: Prompts
    scope: Scope
    gate: Gate

    async def until_it_stands(
        self, take: Callable[[bool], Awaitable[ReadingRow]], back: Callable[[], Awaitable[None]] = _nowhere
    ) -> ReadingRow:
        """What `take` gives, told whether it is taken again; before each question the carriage goes `back`.

        Raises, of a gauge that was seated again so many times, StandsWrong, or the DeviceError behind it.
        """
        for left in reversed(range(SEATED_AGAIN + 1)):
            try:
                return await take(left < SEATED_AGAIN)
            except StandsWrong as wrong:
                if not left:
                    if isinstance(wrong.__cause__, DeviceError):
                        raise wrong.__cause__ from None
                    told = f"{wrong.text} It was seated again {SEATED_AGAIN} times."
                    raise StandsWrong(wrong.code, told, advice=wrong.advice) from None
                text = wrong.text
            await back()
            await self.prompts.ask("seat_again", "confirm", self.scope.prompt(f"{text} {AGAIN}"))
            await self.gate.passable()  # it may have been paused before the answer
        raise AssertionError("the last time it either stands or fails")

    async def through_stops(self, move: Callable[[], Awaitable[object]]) -> None:
        """Carry out an absolute move, begun again where a stop has paused the run and somebody resumes."""
        while True:
            await self.gate.passable()
            try:
                await move()
                return
            except Stopped:
                if not self.gate.closed:
                    raise


class ReadStep:
    """Takes the readings of a run."""

    def __init__(self, bench: Bench, prompts: Prompts) -> None:
        self._bench = bench
        self._prompts = prompts

    async def __call__(self, args: Any, scope: Scope, run: RunRecord, gate: Gate) -> None:
        """Take a reading, or see that a gauge has followed a move. Raises Refused, DeviceError."""
        seating = Seating(self._prompts, scope, gate)
        if args.moved_from is None:
            row = await seating.until_it_stands(lambda _: self._kept(args.device, args.as_, run))
        else:
            row = await self._followed(args, run, seating)
        run.named.setdefault(args.as_, []).append(row)

    async def _followed(self, args: Any, run: RunRecord, seating: Seating) -> ReadingRow:
        """A reading that is more or less than the one before it by what the carriage has moved since.

        Where it is not, the gauge may have stood wrong at both, so both are taken anew: the carriage goes back to where
        the one before was taken, the gauge is seated there, read, the carriage comes here again. The first reading of
        the two then counts no more; the record keeps it.
        """
        bench, before = self._bench, run.named.get(args.moved_from, [])
        stood_um = earlier(before, args.device).carriage_um or 0.0
        here_um = (await bench.carriage.read()).value

        async def go(to_um: float) -> None:
            run.stands_um = to_um
            await seating.through_stops(lambda: bench.move_carriage(to_um, since=bench.carriage.stops))

        async def take(again: bool) -> ReadingRow:
            if again:
                before[-1] = await self._kept(args.device, args.moved_from, run)
                await go(here_um)
            row = await self._kept(args.device, args.as_, run)
            check_moved(bench, before[-1], row)
            return row

        run.stands_um = here_um
        return await seating.until_it_stands(take, lambda: go(stood_um))

    async def _kept(self, device: str, name: str, run: RunRecord) -> ReadingRow:
        """One reading, on disk before it is told. Raises StandsWrong, DeviceError."""
        bench = self._bench
        try:
            reading = await bench.read(device)
        except DeviceError as fault:
            if not isinstance(readable(bench.assembly, device), Gauge):
                raise
            raise StandsWrong(fault.code, fault.text, advice=fault.advice, data=fault.data) from fault
        if reading.quality != "good":
            raise StandsWrong(
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
            offset_um=offset_um(bench.setup.chain, place),
            carriage_um=place,
            device=device,
            channel=name,
            value=reading.value,
            unit=reading.unit,
            quality=reading.quality,
        )
        await keep_and_tell(bench.store, bench.notices, [row])
        return row
