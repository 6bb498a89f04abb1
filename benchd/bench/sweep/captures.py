"""Captures at known positions: drive to an offset, settle, capture, and read the position before and after."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.gate import Gate
from benchd.bench.jobs import Stopped
from benchd.bench.motion.positioner import Positioner
from benchd.bench.time_table import add, spent
from benchd.detectors.values import Capture
from benchd.devices import Clock
from benchd.errors import Refused


@dataclass(frozen=True, slots=True)
class PlacedCapture:
    """A capture with the position it was taken at."""

    capture: Capture
    carriage_um: float
    offset_um: float


class Captures:
    """Takes captures at offsets; waits at a closed gate, and repeats a capture that a stop interrupted."""

    def __init__(
        self, carriage: Positioner, capture: Callable[[], Awaitable[Capture]], keeper: CurrentSetup, clock: Clock
    ) -> None:
        self._carriage = carriage
        self._clock = clock
        self._capture = capture
        self._keeper = keeper

    def reach(self, centre: float, span: float) -> tuple[float, float]:
        """Offsets that can be approached within the carriage's limits and the clearance, at most `span` either way."""
        keeper, places, overshoot = self._keeper, self._keeper.chain.places, self._carriage.overshoot_um
        lowest, highest = self._carriage.limits_um
        least = keeper.clearance_of(keeper.document).least_depth_um
        if least is not None:
            lowest = max(lowest, places.lowest_um(least))
        # The run-up goes below the target, so the lowest target lies above the lowest position.
        low, high = places.offset_um(min(lowest + overshoot, highest)), places.offset_um(highest)
        return max(centre - span, -math.inf if low is None else low), min(
            centre + span, math.inf if high is None else high
        )

    async def go(self, offset: float, gate: Gate, settled: Callable[[], None] = lambda: None) -> float:
        """Drive to an offset and return the position; waits at a closed gate, repeats after a stop that paused."""
        while True:
            await gate.passable()
            places = self._keeper.chain.places
            target = places.carriage_um(offset)
            if target is None:
                raise Refused("not_driven", "There is no lens in the set-up.", advice="Set it up first.")
            self._keeper.check_depth(places.depth_um(target - self._carriage.overshoot_um))
            try:
                return (await self._carriage.go(target, exact=False, settled=settled)).value
            except Stopped:
                if not gate.closed:
                    raise

    async def take(self, offset: float, gate: Gate) -> PlacedCapture:
        """Drive there and capture. The position is read as the capture begins, and again at its end."""
        while True:
            capturing: list[asyncio.Task[tuple[float, Capture]]] = []
            try:
                before = await self.go(offset, gate, lambda: capturing.append(self._begin()))  # noqa: B023 awaited here
                stops = self._carriage.stops
                began_s, capture = await capturing[-1]
                self._count(began_s, capture.exposed_s)
            finally:
                for task in capturing:
                    if not task.cancel() and not task.cancelled():
                        task.exception()  # retrieved; the error that ended the approach is raised
            with spent("wire"):
                after = (await self._carriage.read()).value
            if self._carriage.stops == stops and not gate.closed:
                break
        place = 0.5 * (before + after)
        return PlacedCapture(capture, place, self._keeper.chain.places.offset_um(place) or 0.0)

    def _begin(self) -> asyncio.Task[tuple[float, Capture]]:
        async def capture() -> tuple[float, Capture]:
            return began_s, await self._capture()

        began_s = self._clock.monotonic()
        return asyncio.create_task(capture(), name="capture")

    def _count(self, began_s: float, exposed_s: float) -> None:
        """What is no exposure was asking and fetching. A camera may tell of more than has passed."""
        took_s = self._clock.monotonic() - began_s
        exposed_s = min(exposed_s, took_s)
        add("exposures", exposed_s, exposed_s)
        add("wire", took_s - exposed_s)
