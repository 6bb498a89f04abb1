"""The far end of a folder: a tethered camera that shoots by itself, and pictures put there as programs put them."""

from __future__ import annotations

import asyncio
import io
from pathlib import Path

import numpy as np
from PIL import Image

from benchd.testing.rig import Hands

EVERY_S = 0.05


def picture(kind: str = "PNG", level: int = 100) -> bytes:
    """A picture of that level, with some noise on it."""
    out = io.BytesIO()
    noise = np.random.default_rng(level).integers(0, 20, (48, 64))
    Image.fromarray((level + noise).astype(np.uint8)).save(out, kind)
    return out.getvalue()


def put(folder: Path, name: str, body: bytes) -> None:
    """Written beside and renamed: whole as soon as it is there."""
    beside = folder / f".{name}.part"
    beside.write_bytes(body)
    beside.rename(folder / name)


class ShootingHands(Hands):
    """A camera that shoots again and again into `folder`, and what can happen to it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._silent = self._noisy = False

    async def shoot(self) -> None:
        number = 0
        while True:
            await asyncio.sleep(EVERY_S)
            if not self._silent and self._folder.is_dir():
                number += 1
                body = picture()
                put(self._folder, f"p{number:05d}.png", body[:-20] if self._noisy else body)

    async def unplug(self) -> None:
        self._folder.rename(self._folder.with_name("away"))

    async def plug(self) -> None:
        self._folder.with_name("away").rename(self._folder)

    async def silence(self, seconds: float) -> None:
        self._silent = seconds > 0

    async def garbage(self, seconds: float) -> None:
        self._noisy = seconds > 0
