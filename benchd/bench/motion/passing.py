"""The carriage driven through places at a constant speed, its position polled on the way."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence

from benchd.bench.motion.drive import Drive
from benchd.bench.motion.stops import Stops
from benchd.devices import Clock, DeviceError, Reading, done_within

POLL_S = 0.008
"""How often the position is polled at constant speed: the mean of an exposure then rests on what was read in it or just
beside it. The line takes its own time."""

Polled = Callable[[int, Reading], None]


class Passing:
    """`read` gives the carriage's position."""

    def __init__(self, drive: Drive, read: Callable[[], Awaitable[Reading]], stops: Stops, clock: Clock) -> None:
        self._drive, self._read, self._stops, self._clock = drive, read, stops, clock

    async def through(self, ends_um: Sequence[float], speed_um_s: float, polled: Polled, stops: int) -> Reading:
        """As `Positioner.pass_through`, with `stops` as the number of stops. Raises Stopped, DeviceError."""
        stood = self._clock.monotonic()
        for number, end_um in enumerate(ends_um):
            driving = asyncio.create_task(self._drive.to(end_um, stops, speed_um_s), name="pass")
            try:
                while not driving.done():
                    asked = self._clock.monotonic()
                    polled(number, await self._read())
                    await done_within(driving, max(0.0, asked + POLL_S - self._clock.monotonic()))
            except DeviceError:
                self._stops.check(stops)  # which may be why the position cannot be read
                raise
            finally:
                await _ended(driving)  # at standstill, also where the position could not be read
            stood = driving.result()
        return await self._drive.rest(stood, stops)


async def _ended(work: asyncio.Task[float]) -> None:
    """Cancel it where it is not done, and wait for its end, even if cancelled meanwhile; that is raised after."""
    cancelled: asyncio.CancelledError | None = None
    work.cancel()
    while not work.done():
        try:
            await asyncio.wait({work})
        except asyncio.CancelledError as again:
            cancelled = again
    if not work.cancelled():
        work.exception()  # retrieved; where it counts its result is asked for
    if cancelled is not None:
        raise cancelled
