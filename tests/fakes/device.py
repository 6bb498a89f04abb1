"""What all fakes have in common: no link, well unless they are silent, and as long an answer as a serial line takes."""

from __future__ import annotations

from typing import Any, Self

from benchd.devices import Clock, Device, Health, Identity, LinkTimeout, Reading

ANSWERS_S = 0.002
"""Question and answer together."""
GIVES_UP_S = 1.0
"""After which a driver gives up on a device that does not answer."""


class Fake(Device):
    """Made by the test itself. One that is `silent` goes on with what it does and answers nothing."""

    def __init__(self, name: str, clock: Clock) -> None:
        self.name = name
        self.clock = clock
        self.silent = False

    @classmethod
    def create(cls, name: str, config: Any, link: Any) -> Self:
        raise NotImplementedError("made by the test itself")

    async def open(self) -> Identity:
        return Identity(model=self.name)

    async def close(self) -> None:
        pass

    async def health(self) -> Health:
        return Health("ok")

    async def _asked(self) -> None:
        """The question is on its way, and half the time is gone. Raises LinkTimeout."""
        if self.silent:
            await self.clock.sleep(GIVES_UP_S)
            raise LinkTimeout(f"{self.name} gave no answer in {GIVES_UP_S:g} s.", device=self.name)
        await self.clock.sleep(ANSWERS_S / 2.0)

    async def _read(self, value: float, unit: str) -> Reading:
        """A value that is true now, answered."""
        reading = Reading(value, unit, self.clock.monotonic(), self.clock.utc())
        await self.clock.sleep(ANSWERS_S / 2.0)
        return reading
