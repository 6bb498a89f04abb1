"""The driver that DEVELOPERS.md shows, taken out of its text and held against the contract of a light."""

from __future__ import annotations

import asyncio
import re
import threading
import time
from collections.abc import AsyncIterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest_asyncio

from benchd.testing.conformance import LightContract
from benchd.testing.leaks import no_leaks
from benchd.testing.peer import PtyPeer, line_peer
from benchd.testing.rig import Hands, Rig
from benchd_drivers.link.port import SerialLink

__all__ = ["no_leaks"]

PAPER = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
NOISE = bytes(range(256))


def shown() -> Any:
    """The class in the code block, made as a reader's module would make it."""
    return shown_class("PlainLight")


def shown_class(name: str) -> Any:
    """A class by its name, from the one code block that has it."""
    blocks = re.findall(r"```python\n(.*?)```", PAPER.read_text(encoding="utf-8"), re.DOTALL)
    (code,) = (block for block in blocks if f"class {name}(" in block)
    module = ModuleType(name)
    exec(compile(code, str(PAPER), "exec"), module.__dict__)
    return getattr(module, name)


class Lamp(Hands):
    """The light at the other end of a pseudo-terminal, whose device file `port` follows; and hands to misuse it."""

    def __init__(self, port: Path) -> None:
        self.port = port
        self.level = b"0.70"  # as somebody left it
        self._mute_until = 0.0
        self._noisy = threading.Event()
        self._noise: threading.Thread | None = None
        self.peer: PtyPeer = line_peer(self._answer)

    def _answer(self, text: bytes) -> bytes | None:
        if re.fullmatch(rb"LIGHT [01]\.\d\d", text):
            self.level = text.split()[1]
        elif text not in (b"LIGHT?", b"ID"):
            return b"what?\n"
        if time.monotonic() < self._mute_until:
            return None
        return b"ID plain light 1\n" if text == b"ID" else b"LIGHT " + self.level + b"\n"

    async def plug(self) -> None:
        self.peer.plug()
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(self.peer.path)

    async def unplug(self) -> None:
        await asyncio.to_thread(self.peer.unplug)

    async def silence(self, seconds: float) -> None:
        self._mute_until = time.monotonic() + seconds

    async def garbage(self, seconds: float) -> None:
        self._noisy.clear()
        if self._noise is not None:
            await asyncio.to_thread(self._noise.join)
            self._noise = None
        if seconds:
            self._noisy.set()
            self._noise = threading.Thread(target=self._make_noise, args=(time.monotonic() + seconds,))
            self._noise.start()

    def _make_noise(self, until: float) -> None:
        while self._noisy.is_set() and time.monotonic() < until:
            self.peer.send(NOISE[::7])
            time.sleep(0.01)


class TestExampleDriver(LightContract):
    @pytest_asyncio.fixture
    async def rig(self, no_leaks: None, tmp_path: Path) -> AsyncIterator[Rig]:
        lamp = Lamp(tmp_path / "lamp")
        await lamp.plug()
        link = SerialLink.create("lamp", SerialLink.Config(port=str(lamp.port)))
        try:
            await link.open()
            kind = shown()
            device = kind.create("lamp", kind.Config(), link)
            identity = await device.open()
            assert identity.model == "ID plain light 1"
            assert lamp.level == b"0.00"
            yield Rig(device, link, lamp)
            await device.set_level(0.5)
            await device.close()
            assert lamp.level == b"0.00"
        finally:
            await link.close()
            await lamp.garbage(0.0)
            await lamp.unplug()
