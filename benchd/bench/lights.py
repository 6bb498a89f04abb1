"""Lights by role: levels, stops, on and off, and a time after which they go dark again."""

from __future__ import annotations

import asyncio
import math

from benchd.bench.assembly import Assembly
from benchd.devices import DeviceError, Light
from benchd.errors import Refused


def whole_periods(exposure_ms: float, pulses_hz: float | None, low_ms: float, high_ms: float) -> float:
    """The exposure nearest `exposure_ms` that takes whole periods of a light's pulses, within the camera's range.

    Else a part of a period more or less falls into each picture, and their brightness scatters by it. It stays as it
    is where there are no pulses (None), and where no whole period fits into the range.
    """
    if pulses_hz is None:
        return exposure_ms
    period_ms = 1000.0 / pulses_hz
    fewest, most = max(1, math.ceil(low_ms / period_ms - 1e-9)), math.floor(high_ms / period_ms + 1e-9)
    return min(max(round(exposure_ms / period_ms), fewest), most) * period_ms if fewest <= most else exposure_ms


class Lights:
    """Sets lights and remembers the level that `on` goes back to."""

    def __init__(self, assembly: Assembly) -> None:
        self._assembly = assembly
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
    ) -> float:
        """Set a light by level (0 to 1), by photographic stops, or on and off; after `for_s` it goes dark.

        Returns the level set. Raises Refused (unknown_name, bad_request), DeviceError.
        """
        light = self._assembly.named(name, Light)
        if level is None and stops_by is not None:
            now = await light.level()
            if now <= 0.0:
                raise Refused("bad_request", f"'{name}' is dark; stops count from a light that is on.")
            level = now * 2.0**stops_by
        elif level is None:
            level = self._last.get(name, 1.0) if on else 0.0
        level = min(max(level, 0.0), 1.0)
        timer = self._timers.pop(name, None)
        if timer is not None:
            timer.cancel()
        await light.set_level(level)
        if level > 0.0:
            self._last[name] = level
        if for_s is not None and level > 0.0:
            self._timers[name] = asyncio.create_task(self._dark_after(name, light, for_s), name=f"dark {name}")
        return level

    async def _dark_after(self, name: str, light: Light, seconds: float) -> None:
        await asyncio.sleep(seconds)
        self._timers.pop(name, None)
        try:
            await light.set_level(0.0)
        except DeviceError:
            return  # the device's own health tells it

    async def close(self) -> None:
        """Cancel the timers; closing the devices makes them dark."""
        for timer in self._timers.values():
            timer.cancel()
        self._timers.clear()
