"""Lights by role: levels, stops, on and off, and a time after which they go dark again."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass

import structlog

from benchd.bench.assembly import Assembly
from benchd.devices import Clock, DeviceError, Light
from benchd.errors import Refused

_log = structlog.get_logger("benchd.lights")
AGAIN_S = 2.0
"""Between two tries to put out a light whose time is over."""


@dataclass(frozen=True, slots=True)
class LightSet:
    """A light was set: its device's name, when (s, monotonic), to which level and by whom."""

    name: str
    at_s: float
    level: float
    by: str


class Lights:
    """Sets lights, and remembers the level that `on` goes back to and who set what last."""

    def __init__(self, assembly: Assembly, clock: Clock) -> None:
        self._assembly = assembly
        self._clock = clock
        self._done: deque[LightSet] = deque(maxlen=1000)
        self._last: dict[str, float] = {}
        self._timers: dict[str, asyncio.Task[None]] = {}

    async def set(
        self,
        name: str,
        *,
        level: float | None = None,
        stops_by: float | None = None,
        on: bool | None = None,
        for_s: float | None = None,
        by: str,
    ) -> float:
        """Set a light by level (0 to 1), by photographic stops, or on and off; after `for_s` it goes dark.

        `by` is the user who asked. Returns the level set. Raises Refused (unknown_name, bad_request), DeviceError.
        """
        light = self._assembly.named(name, Light)
        if level is None and stops_by is not None:
            now = await light.level()
            if now <= 0.0:
                raise Refused("bad_request", f"'{name}' is dark; stops count from a light that is on.")
            level = now * 2.0**stops_by
        elif level is None:
            level = self._last.get(light.name, 1.0) if on else 0.0
        level = min(max(level, 0.0), 1.0)
        await self._set(light, level, by)
        # Only now, as one that was refused leaves the light as it was, and the time it was given with it. Whatever time
        # stands by now is that of a level before this one, of one that was asked for meanwhile and waited as well too.
        before = self._timers.pop(light.name, None)  # by the device: it has a role and a name of its own
        if before is not None:
            before.cancel()
        if level > 0.0:
            self._last[light.name] = level
        if for_s is not None and level > 0.0:
            ends = self._dark_after(light, for_s, f"the {for_s:g} s that {by} gave it")
            self._timers[light.name] = asyncio.create_task(ends, name=f"dark {name}")
        return level

    async def _set(self, light: Light, level: float, by: str) -> None:
        await light.set_level(level)
        self._done.append(LightSet(light.name, self._clock.monotonic(), level, by))

    def set_since(self, name: str, at_s: float) -> list[LightSet]:
        """What was done to the light of this device since then (s, monotonic), the last of it last."""
        return [one for one in self._done if one.name == name and one.at_s >= at_s]

    async def _dark_after(self, light: Light, seconds: float, by: str) -> None:
        await asyncio.sleep(seconds)
        while True:
            try:
                await self._set(light, 0.0, by)
                break
            except DeviceError as error:  # the device's own health tells it too
                _log.warning("a light could not be put out yet", device=light.name, why=error.text)
            await asyncio.sleep(AGAIN_S)
        self._timers.pop(light.name, None)

    async def close(self) -> None:
        """Cancel the timers; closing the devices makes them dark."""
        for timer in self._timers.values():
            timer.cancel()
        self._timers.clear()
