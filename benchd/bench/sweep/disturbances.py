"""What has to stay as it is while a sweep is taken; what changed all the same is said, with who or what changed it."""

from __future__ import annotations

from dataclasses import dataclass

from benchd.bench.lights import Lights
from benchd.devices import Clock, DeviceError, Light, Meter
from benchd.errors import BenchdError


@dataclass(frozen=True, slots=True)
class _Seen:
    at_s: float
    level: float | None
    temperature_C: float | None


class Disturbances:
    """One sweep watched: `begin` before it, then `changes`, or `blame` where it failed.

    The light is read back from its device at both ends, and each command to it in between is known. A temperature is
    looked at where a sensor has that role; `typed_C` and its `u_K` are what the chain counts with.
    """

    def __init__(
        self,
        lights: Lights,
        light: Light | None,
        thermometer: Meter | None,
        typed_C: float | None,
        u_K: float,
        clock: Clock,
    ) -> None:
        self._lights = lights
        self._light = light
        self._thermometer = thermometer
        self._typed_C = typed_C
        self._u_K = u_K
        self._clock = clock
        self._began = _Seen(0.0, None, None)

    async def begin(self) -> None:
        """What stands now is what has to stay."""
        self._began = await self._look()

    async def changes(self) -> list[str]:
        """A sentence for each thing that did not stay as it was."""
        ends = await self._look()
        return [*self._light_changes(ends.level), *self._warmed(ends.temperature_C)]

    async def explain(self, error: BenchdError) -> None:
        """Put what changed in front of the advice of an error that ended the sweep."""
        error.advice = " ".join([*await self.changes(), error.advice]).strip()

    async def _look(self) -> _Seen:
        return _Seen(self._clock.monotonic(), await self._level(), await self._temperature_C())

    async def _level(self) -> float | None:
        try:
            return None if self._light is None else await self._light.level()
        except DeviceError:
            return None  # its own health tells

    async def _temperature_C(self) -> float | None:
        if self._thermometer is None:
            return None
        try:
            reading = await self._thermometer.read()
        except DeviceError:
            return None
        return None if reading.quality == "bad" else reading.value

    def _light_changes(self, ends: float | None) -> list[str]:
        light, began = self._light, self._began.level
        if light is None or began is None:
            return []
        told, last = [], began
        step = 1.0 / max(light.spec.steps, 1)
        for set_ in self._lights.set_since(light.name, self._began.at_s):
            if abs(set_.level - last) > step:
                told.append(_changed(last, set_.level, f"by {set_.by}"))
            last = set_.level
        if ends is not None and abs(ends - last) > step:
            told.append(_changed(last, ends, "though nobody asked for it here"))
        return told

    def _warmed(self, ends: float | None) -> list[str]:
        began, typed = self._began.temperature_C, self._typed_C
        if began is None or ends is None:
            return []
        told = []
        if abs(ends - began) > self._u_K:
            by = f"{ends - began:+.1f} K, to {ends:.1f} °C"
            told.append(f"While a sweep was taken the temperature changed by {by}: more than its u of {self._u_K:g} K.")
        if typed is not None and abs(began - typed) > 2.0 * self._u_K:
            told.append(
                f"The thermometer shows {began:.1f} °C and the set-up says {typed:.1f} °C, by which the lengths were "
                "taken."
            )
        return told


def _changed(before: float, after: float, who: str) -> str:
    return f"While a sweep was taken the target's light was changed from {before:.3g} to {after:.3g}, {who}."
