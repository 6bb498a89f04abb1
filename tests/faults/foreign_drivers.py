"""Drivers of somebody else, with every fault a driver may have; laid into a package of their own by the tests.

How they behave is read from a file at each call: `{"lamp.health": "raises"}`. What they did stands in another.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict

from benchd.devices import (
    Axis,
    AxisSpec,
    Device,
    FrameLog,
    Health,
    Identity,
    Light,
    LightSpec,
    Link,
    Matcher,
    Meter,
    Reading,
    Surprise,
    now_s,
    now_utc,
)
from benchd.errors import Refused


class Mooded(Device):
    class Config(BaseModel):
        model_config = ConfigDict(extra="forbid")
        folder: str

    answers_within_s = 0.5
    opens_within_s = 1.0

    def __init__(self, name: str, config: Any) -> None:
        self.name = name
        self.folder = Path(config.folder)

    @classmethod
    def create(cls, name: str, config: Any, link: Link | None) -> Device:
        made = cls(name, config)
        if made.mood("create") == "raises":
            raise KeyError("no such register")
        return made

    def mood(self, call: str) -> str:
        try:
            moods = json.loads((self.folder / "moods.json").read_text())
        except (OSError, ValueError):
            return ""
        return str(moods.get(f"{self.name}.{call}", ""))

    def notes(self, what: str) -> None:
        with (self.folder / "did.txt").open("a") as did:
            did.write(f"{self.name}.{what}\n")

    async def acts(self, call: str, answer: Any = None) -> Any:
        self.notes(call)
        mood = self.mood(call)
        if mood == "raises":
            raise OSError(5, "Input/output error")
        if mood == "refuses":
            raise Refused("not_allowed", "It does not like to.", advice="Ask nicely.")
        if mood == "exits":
            raise SystemExit(3)
        if mood == "cancels":
            raise asyncio.CancelledError
        if mood == "hangs":
            await asyncio.Event().wait()
        while mood == "swallows" == self.mood(call):
            with contextlib.suppress(BaseException):  # a bare `except:`, as people write it
                await asyncio.sleep(0.1)
        return "nonsense" if mood == "nonsense" else answer

    async def open(self) -> Identity:
        answer: Identity = await self.acts("open", Identity(model=self.mood("model") or "foreign"))
        return answer

    async def close(self) -> None:
        await self.acts("close")

    async def health(self) -> Health:
        lost = self.mood("lost") == "yes"
        answer: Health = await self.acts("health", Health("fault", "link", "It is gone.") if lost else Health("ok"))
        return answer

    async def read(self) -> Reading:
        value = float("nan") if self.mood("read") == "nan" else now_s()
        utc = now_utc().strftime("%Y-%m-%dT%H:%M:%S.000Z")
        answer: Reading = await self.acts("read", Reading(value, "um", now_s(), utc))
        return answer


class ForeignMeter(Mooded, Meter):
    quantity, unit = "tilt", "um"


class ForeignLight(Mooded, Light):
    spec = LightSpec(least=0.01, steps=100)

    def __init__(self, name: str, config: Any) -> None:
        super().__init__(name, config)
        self._level = 0.0

    async def set_level(self, level: float) -> None:
        await self.acts(f"set_level({level:g})")
        self._level = level
        self.notes(f"at({level:g})")

    async def level(self) -> float:
        answer: float = await self.acts("level", self._level)
        return answer


class ForeignAxis(Mooded, Axis):
    homes_within_s = 2.0
    rests_within_s = 1.0

    def __init__(self, name: str, config: Any) -> None:
        super().__init__(name, config)
        self._homed = False

    @property
    def spec(self) -> AxisSpec:  # type: ignore[override] # asked of the hardware each time, as some do
        if self.mood("spec") == "raises":
            raise OSError(5, "Input/output error")
        return AxisSpec("um", 0.0, 10_000.0, 0.1, 1000.0, 5000.0, 0.1)

    @property
    def homed(self) -> bool:
        return self._homed

    async def home(self) -> None:
        await self.acts("home")
        self._homed = True

    async def move_to(self, target: float, speed: float) -> float:
        await self.acts("move_to")
        return now_s()

    async def jog(self, speed: float, distance: float) -> None:
        await self.acts("jog")

    async def stop(self) -> None:
        await self.acts("stop")

    async def surprises(self) -> AsyncIterator[Surprise]:
        await self.acts("surprises")
        while not self.mood("surprise"):  # noqa: ASYNC110 # its moods stand in a file
            await asyncio.sleep(0.05)
        said: Any = self.mood("surprise")  # a text, and no Surprise
        yield said


class ForeignLink(Link):
    """A transport that is never used, but looked at."""

    class Config(BaseModel):
        folder: str

    def __init__(self, name: str, config: Any) -> None:
        self.name = name
        self.folder = Path(config.folder)

    @classmethod
    def create(cls, name: str, config: Any) -> Link:
        return cls(name, config)

    def mood(self, call: str) -> str:
        moods = json.loads((self.folder / "moods.json").read_text())
        return str(moods.get(f"{self.name}.{call}", ""))

    async def open(self) -> None:
        pass

    async def close(self) -> None:
        pass

    async def query(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        raise NotImplementedError

    def urgent(self, data: bytes) -> None:
        raise NotImplementedError

    def listen(self) -> AsyncIterator[bytes]:
        raise NotImplementedError

    @property
    def connected(self) -> bool:
        if self.mood("connected") == "raises":
            with (self.folder / "did.txt").open("a") as did:
                did.write(f"{self.name}.connected\n")
            raise AttributeError("'NoneType' object has no attribute 'is_open'")
        return self.mood("lost") != "yes"

    @property
    def why_lost(self) -> str:
        raise KeyError("nobody knows")

    @property
    def recent(self) -> Sequence[FrameLog]:
        return ()


class FromTheFuture(ForeignMeter):
    driver_api = 1 + int(os.environ.get("FOREIGN_AHEAD", "1"))


class Strange:
    """No driver at all."""
