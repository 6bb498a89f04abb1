"""Lights by role: levels, photographic stops, on and off, and a time after which they are switched off."""

from __future__ import annotations

import asyncio
from collections import Counter, deque
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass

import structlog

from benchd.bench.assembly import Assembly
from benchd.bench.interlock import Switch
from benchd.bench.laser.pointer import ANEW, Pointer
from benchd.devices import Clock, DeviceError, Light
from benchd.errors import BenchdError, Refused

_log = structlog.get_logger("benchd.lights")
RETRY_S = 2.0
"""Time between two attempts to switch off a light whose time is over."""


@dataclass(frozen=True, slots=True)
class LightSet:
    """A light was set: its device's name, when (s, monotonic), to which level and by which user."""

    name: str
    at_s: float
    level: float
    by: str


class Lights:
    """Sets lights, and remembers the last level of each, for `on`, and the recent changes."""

    def __init__(self, assembly: Assembly, clock: Clock) -> None:
        self._assembly = assembly
        self._clock = clock
        self._changes: deque[LightSet] = deque(maxlen=1000)
        self._asked: Counter[str] = Counter()
        self._last: dict[str, float] = {}
        self._timers: dict[str, asyncio.Task[None]] = {}
        self.emergency: Callable[[], Switch | None] = lambda: None
        """The emergency stop while it keeps every light at its safe level."""
        self.stops: Callable[[], int] = lambda: 0
        """How often a stop has come."""

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

        `by` is the user who asked. Returns the level set.

        Raises Refused (unknown_name, bad_request; interlock above its safe level), DeviceError.
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
        self._check_safe(light, level)
        await self._set(light, level, by)
        try:
            self._check_safe(light, level)
        except Refused:  # pressed meanwhile, and this level may have come after the safe one
            self._make_safe(light, by)
            raise
        # Only now: a request that fails leaves the light and its timer as they were. Any timer found here belongs to an
        # earlier level, also if it was set by a request that was waiting at the same time.
        before = self._timers.pop(light.name, None)  # keyed by device: a light has a role and a name
        if before is not None:
            before.cancel()
        if level > 0.0:
            self._last[light.name] = level
        if for_s is not None and level > 0.0:
            ends = self._switch_off_after(light, for_s, f"the {for_s:g} s that {by} gave it")
            self._timers[light.name] = asyncio.create_task(ends, name=f"dark {name}")
        return level

    async def hold(
        self, name: str, *, level: float | None, on: bool | None, hold: str, seq: int, for_s: float | None, by: str,
        since: int,
    ) -> float:  # fmt: skip
        """Hold the pointer on, or end that; see `Pointer.hold_on`. Raises what that does, and Refused (unknown_name).

        `since` is the number of stops when it was asked for: nothing is lit after a later one.
        """
        light = self._assembly.named(name, Light)
        if not isinstance(light, Pointer):
            raise Refused("bad_request", f"'{name}' is no laser: it stays as it is set.", advice="Leave `hold` away.")
        level = level if level is not None else 1.0 if on else 0.0
        if level <= 0.0:
            await light.let_go(hold, seq, by)
            return 0.0
        if since != self.stops():
            raise Refused("stale", "A stop came after this was asked for; nothing was lit.", advice=ANEW)
        return await light.hold_on(level, hold, seq, by, for_s)

    def _check_safe(self, light: Light, level: float) -> None:
        switch = self.emergency()
        if switch is not None and level > light.spec.safe_level:
            raise Refused("interlock", switch.sentence, advice=switch.advice, data=switch.data)

    def make_safe(self, by: str) -> None:
        """Every light goes to its safe level, as soon as its device lets it; what was to end later does so now."""
        for light in self._assembly.devices.values():
            if isinstance(light, Light):
                self._make_safe(light, by)

    def _make_safe(self, light: Light, by: str) -> None:
        before = self._timers.pop(light.name, None)
        if before is not None:
            before.cancel()
        work = self._insist(light, light.spec.safe_level, by)
        self._timers[light.name] = asyncio.create_task(work, name=f"safe {light.name}")

    async def _set(self, light: Light, level: float, by: str) -> None:
        self._asked[light.name] += 1  # from here on it is somebody's, however long it is on its way
        await light.set_level(level)
        self._changes.append(LightSet(light.name, self._clock.monotonic(), level, by))

    @asynccontextmanager
    async def darkened(self, name: str, share: float = 0.0) -> AsyncIterator[None]:
        """The light is out, or at a `share` of its level, as long as this is entered, and as before then: a change
        that nobody asked for and nobody is told of. Where an emergency stop was pressed or somebody set the light
        meanwhile, that stays.

        Raises BenchdError ('not_found') where somebody set it, Refused ('interlock'), DeviceError.
        """
        light = self._assembly.named(name, Light)
        asked, began_s = self._asked[light.name], self._clock.monotonic()
        level = await light.level()
        if self._asked[light.name] != asked:  # it is somebody's already, and is not put out
            raise _set_meanwhile(name)
        try:
            await light.set_level(share * level)
            yield
        finally:
            left = self._asked[light.name] == asked and not self.set_since(light.name, began_s)
            if left:
                self._check_safe(light, level)
                await light.set_level(level)
                try:
                    self._check_safe(light, level)
                except Refused:  # pressed meanwhile, and this level may have come after the safe one
                    self._make_safe(light, "the dark reading")
                    raise
        if not left:
            raise _set_meanwhile(name)

    def set_since(self, name: str, at_s: float) -> list[LightSet]:
        """Changes of this device's light since `at_s` (s, monotonic), newest last."""
        return [change for change in self._changes if change.name == name and change.at_s >= at_s]

    async def _switch_off_after(self, light: Light, seconds: float, by: str) -> None:
        await asyncio.sleep(seconds)
        await self._insist(light, 0.0, by)

    async def _insist(self, light: Light, level: float, by: str) -> None:
        while True:
            try:
                await self._set(light, level, by)
                break
            except DeviceError as error:  # the published health of the device shows it too
                _log.warning("a light could not be put out yet", device=light.name, why=error.text)
            await asyncio.sleep(RETRY_S)
        self._timers.pop(light.name, None)

    async def close(self) -> None:
        """Cancel the timers; closing the devices switches the lights off."""
        for timer in self._timers.values():
            timer.cancel()
        self._timers.clear()


def _set_meanwhile(name: str) -> BenchdError:
    return BenchdError(
        "not_found",
        f"The light '{name}' was set while it was out or dimmed for a reading.",
        advice="Leave the light alone while a sweep is taken, and sweep again.",
    )
