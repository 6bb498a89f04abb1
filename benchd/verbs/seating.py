"""Ask the person at the bench to seat a gauge again that gives no plausible reading."""

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
"""How often a gauge may be seated again before the run fails: one bad seat must not lose a run of thirty questions."""
SEAT_AGAIN_TEXT = "Seat it again as the question before asked, then it is read again."


async def _stay() -> None:
    """Move nothing."""


@dataclass(frozen=True, slots=True)
class Seating:
    """Repeats readings of a gauge after the person at the bench has seated it again."""

    asks: Asks
    prompt: Callable[[str], str]
    gate: Gate

    async def read_reseating(
        self, take: Callable[[bool], Awaitable[ReadingRow]], back: Callable[[], Awaitable[None]] = _stay
    ) -> ReadingRow:
        """The row that `take(again)` gives; `again` is True after the first. `back()` runs before each question.

        Raises GaugeDoesNotFollow, or the DeviceError behind it, once the gauge was seated again SEATED_AGAIN times.
        """
        for left in reversed(range(SEATED_AGAIN + 1)):
            try:
                return await take(left < SEATED_AGAIN)
            except GaugeDoesNotFollow as wrong:
                if not left:
                    if isinstance(wrong.__cause__, DeviceError):
                        raise wrong.__cause__ from None
                    failure = f"{wrong.text} It was seated again {SEATED_AGAIN} times."
                    raise GaugeDoesNotFollow(wrong.code, failure, advice=wrong.advice) from None
                text = wrong.text
            await back()
            await self.asks.ask("seat_again", "confirm", self.prompt(f"{text} {SEAT_AGAIN_TEXT}"))
            await self.gate.passable()  # it may have been paused before the answer
        raise AssertionError("the last attempt returns or raises")

    async def move_through_stops(self, move: Callable[[], Awaitable[object]]) -> None:
        """Carry out an absolute move; one interrupted by a stop that paused the run is repeated after resuming."""
        while True:
            await self.gate.passable()
            try:
                await move()
                return
            except Stopped:
                if not self.gate.closed:
                    raise
