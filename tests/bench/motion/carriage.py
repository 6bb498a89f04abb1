"""A carriage over an axis and a scale that are fakes, looked at as the daemon does."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from benchd.bench.motion.figures import MotionFigures
from benchd.bench.motion.positioner import Positioner
from benchd.bench.motion.trust import Trust
from benchd.bench.reporter import WATCHED_S
from benchd.devices import Axis, AxisSpec, DeviceError, Encoder
from benchd.devices.guarded import guarded
from benchd.testing.virtual_time import VirtualClock
from tests.fakes.stage import FakeAxis, FakeScale

SPEC = AxisSpec("um", 0.0, 30_000.0, 0.05, 4000.0, 20_000.0, 0.05)
FIGURES = MotionFigures(speed_um_s=4000.0)


class Rig:
    """A carriage over fakes, and what was told of its trust."""

    def __init__(self, *, encoder: bool = True) -> None:
        self.clock = VirtualClock()
        self.axis = FakeAxis("stage", self.clock, SPEC)
        self.scale = FakeScale("scale", self.clock, self.axis)
        self.lost: list[tuple[str, str]] = []
        self.trust = Trust(lambda kind, why: self.lost.append((kind, why)))
        axis, scale = guarded(self.axis, "stage", "fake"), guarded(self.scale, "scale", "fake")
        assert isinstance(axis, Axis)
        assert isinstance(scale, Encoder)
        self.carriage = Positioner(axis, scale if encoder else None, FIGURES, self.trust, self.clock)

    @property
    def moves_um(self) -> list[float | None]:
        return [asked.to_um for asked in self.axis.asked]

    async def until(self, holds: Callable[[], bool]) -> None:
        async with asyncio.timeout(60.0):
            while not holds():
                await self.clock.sleep(0.001)

    @asynccontextmanager
    async def watched(self) -> AsyncIterator[None]:
        """Looked at as the daemon does, until trust is lost."""

        async def look() -> None:
            while True:
                began_s = self.clock.monotonic()
                await self.carriage.watch_once()
                await self.clock.sleep(began_s + WATCHED_S - self.clock.monotonic())

        watching = asyncio.create_task(look())
        try:
            yield
        finally:
            watching.cancel()
            await asyncio.wait({watching})
            if not watching.cancelled():
                assert isinstance(watching.exception(), DeviceError)
