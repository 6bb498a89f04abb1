"""A gauge that stands wrong, seated again by whoever is at the bench of a run."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from benchd.bench.datum.gauge_check import GaugeDoesNotFollow
from benchd.bench.gate import Gate
from benchd.bench.jobs import Stopped
from benchd.devices import DeviceError
from benchd.records.values import ReadingRow
from benchd.verbs.order import Asks

SEATED_AGAIN = 3
"""So often a person may set a gauge down again before the run fails: thirty questions are not lost by one."""
AGAIN = "Seat it again as the question before asked, then it is read again."


async def _nowhere() -> None:
    """The carriage stays where it is."""


@dataclass(frozen=True, slots=True)
class Seating:
    """Whoever is at the bench of a run, asked to seat a gauge again that stands wrong."""

    asks: Asks
    prompt: Callable[[str], str]
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
            except GaugeDoesNotFollow as wrong:
                if not left:
                    if isinstance(wrong.__cause__, DeviceError):
                        raise wrong.__cause__ from None
                    told = f"{wrong.text} It was seated again {SEATED_AGAIN} times."
                    raise GaugeDoesNotFollow(wrong.code, told, advice=wrong.advice) from None
                text = wrong.text
            await back()
            await self.asks.ask("seat_again", "confirm", self.prompt(f"{text} {AGAIN}"))
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
