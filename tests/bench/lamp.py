"""A light on no link, for tests of what the bench does with lights: what it does with a level is the test's own."""

from __future__ import annotations

from typing import Self

from benchd.devices import Health, Identity, Light, LightSpec


class PlainLamp(Light):
    """Opens, closes and is well; `set_level` and `level` are a subclass's."""

    def __init__(self, steps: int) -> None:
        self.name = "lamp"
        self.spec = LightSpec(least=1 / steps, steps=steps)

    @classmethod
    def create(cls, name: str, config: object, link: object) -> Self:
        raise NotImplementedError("made by the test itself")

    async def open(self) -> Identity:
        return Identity(model="lamp")

    async def close(self) -> None:
        pass

    async def health(self) -> Health:
        return Health("ok")
