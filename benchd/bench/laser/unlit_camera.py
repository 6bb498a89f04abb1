"""A camera on a bench with a laser: none of its pictures is exposed before that is dark."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import aclosing
from typing import Any, NoReturn, cast

from benchd.bench.laser.pointer import Pointer
from benchd.devices import Camera, CameraSpec, Exposure, Frame, Health, Identity, Link


class UnlitCamera(Camera):
    """Stands for a camera in the assembly, so that whoever takes a picture comes through here."""

    def __init__(self, camera: Camera, pointer: Pointer) -> None:
        self._camera, self._pointer = camera, pointer
        self.name = camera.name

    @classmethod
    def create(cls, name: str, config: object, link: Link | None) -> NoReturn:
        """Not used: it stands for a camera that is there."""
        raise NotImplementedError

    @property
    def spec(self) -> CameraSpec:  # type: ignore[override]  # read only is all that is needed
        return self._camera.spec

    async def open(self) -> Identity:
        return await self._camera.open()

    async def close(self) -> None:
        await self._camera.close()

    async def health(self) -> Health:
        return await self._camera.health()

    async def configure(self, exposure_ms: float, gain: float) -> Exposure:
        return await self._camera.configure(exposure_ms, gain)

    async def grab(self) -> Frame:
        """Raises DeviceError as well where the laser cannot be put out."""
        async with self._pointer.kept_dark():
            return await self._camera.grab()

    async def stream(self) -> AsyncIterator[Frame]:
        async with self._pointer.kept_dark(), aclosing(cast(Any, self._camera.stream())) as frames:
            async for frame in frames:
                yield frame
