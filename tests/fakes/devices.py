"""The other devices of a bench: a light, a contact gauge, a meter, a camera, and the person who is asked."""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import replace
from typing import Any

from benchd.devices import (
    Answer,
    Ask,
    Camera,
    CameraSpec,
    Clock,
    DeviceError,
    Exposure,
    Frame,
    Gauge,
    GaugeSpec,
    Light,
    LightSpec,
    Meter,
    Reading,
)
from benchd.devices.values import Quality
from benchd_drivers.operator import PromptOperator
from tests.fakes.device import Fake


class FakeLight(Fake, Light):
    """Keeps what was set; `refuses` so many of the levels that it is asked for, or `drops` one for what it awaits."""

    def __init__(self, name: str, clock: Clock, steps: int = 1000) -> None:
        super().__init__(name, clock)
        self.spec = LightSpec(least=1 / steps, steps=steps)
        self.now = 0.0
        self.refuses = 0
        self.drops: Callable[[float], Awaitable[None]] | None = None
        self.set_to: list[float] = []

    async def set_level(self, level: float) -> None:
        await self._asked()
        if self.drops is not None and level:
            await self.drops(level)
            raise DeviceError("The level was not set: a stop came first.", device=self.name, code="busy")
        if self.refuses:
            self.refuses -= 1
            raise DeviceError("The carriage is in motion.", device=self.name, code="busy")
        self.set_to.append(level)
        self.now = int(level * self.spec.steps) / self.spec.steps

    async def level(self) -> float:
        await self._asked()
        return self.now


class FakeGauge(Fake, Gauge):
    """Shows by how much what its tip stands on is deeper than `zero_um`; out of its range it is bad."""

    def __init__(self, name: str, clock: Clock, surface_um: Callable[[], float]) -> None:
        super().__init__(name, clock)
        self.spec = GaugeSpec(-600.0, 600.0, 0.2, hysteresis_um=0.3, u_gain=0.001, grows="deeper")
        self.surface_um = surface_um
        self.zero_um = 0.0

    async def read(self) -> Reading:
        await self._asked()
        now = await self._read(self.surface_um() - self.zero_um, "um")
        within = self.spec.low_um <= now.value <= self.spec.high_um
        return now if within else Reading(999.9, "um", now.t_mono, now.t_utc, "bad")


class FakeMeter(Fake, Meter):
    """Shows what it is told."""

    def __init__(self, name: str, clock: Clock, quantity: str, unit: str, shows: float) -> None:
        super().__init__(name, clock)
        self.quantity, self.unit, self.shows = quantity, unit, shows
        self.quality: Quality = "good"

    async def read(self) -> Reading:
        await self._asked()
        return replace(await self._read(self.shows, self.unit), quality=self.quality)


class FakeCamera(Fake, Camera):
    """Can be set, and gives no pictures: what is to be seen a fake detector says itself."""

    def __init__(self, name: str, clock: Clock) -> None:
        super().__init__(name, clock)
        self.spec = CameraSpec(size=(640, 480), linear=True, hardware_time=True, lockable=True)
        self.exposure = Exposure(20.0, 1.0)

    async def configure(self, exposure_ms: float, gain: float) -> Exposure:
        await self._asked()
        self.exposure = Exposure(exposure_ms, gain)
        return self.exposure

    async def grab(self) -> Frame:
        raise NotImplementedError("a fake detector needs no picture")

    async def stream(self) -> AsyncIterator[Frame]:
        raise NotImplementedError("a fake detector needs no picture")
        yield


class Person(PromptOperator):
    """Answers as `says` has it after `thinks_s`; None leaves the question open for somebody else."""

    def __init__(self, name: str, clock: Clock) -> None:
        super().__init__(name)
        self.clock = clock
        self.thinks_s = 1.0
        self.says: Callable[[Ask], Any] = lambda _: None
        self.asked: list[Ask] = []

    async def ask(self, question: Ask) -> Answer:
        self.asked.append(question)
        value = self.says(question)
        if value is None:
            return await super().ask(question)
        await self.clock.sleep(self.thinks_s)
        return Answer(question.ask, value, "bench", self.clock.utc())
