"""Light and temperature must not change during a sweep; changes are reported, with who or what made them."""

from __future__ import annotations

from dataclasses import dataclass

from benchd.bench.lights import Lights
from benchd.devices import Clock, DeviceError, Light, Meter
from benchd.errors import BenchdError


@dataclass(frozen=True, slots=True)
class _State:
    at_s: float
    level: float | None
    temperature_C: float | None


class Disturbances:
    """Watches one sweep: `begin` before it, then `changes`, or `explain` if it failed.

    The light is read back from its device before and after, and each command to it in between is known. The temperature
    is read if a sensor has that role; `typed_C` and its `u_K` are those of the chain.
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
        self._began = _State(0.0, None, None)

    async def begin(self) -> None:
        """Note the present state."""
        self._began = await self._state()

    async def changes(self) -> list[str]:
        """A sentence for each change since `begin`."""
        ends = await self._state()
        return [*self._light_changes(ends.level), *self._temperature_changes(ends.temperature_C)]

    async def explain(self, error: BenchdError) -> None:
        """Put the changes in front of the advice of the error that ended the sweep."""
        error.advice = " ".join([*await self.changes(), error.advice]).strip()

    async def _state(self) -> _State:
        return _State(self._clock.monotonic(), await self._level(), await self._temperature_C())

    async def _level(self) -> float | None:
        try:
            return None if self._light is None else await self._light.level()
        except DeviceError:
            return None  # the published health of the light shows it

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
        sentences, last = [], began
        step = 1.0 / max(light.spec.steps, 1)
        for change in self._lights.set_since(light.name, self._began.at_s):
            if abs(change.level - last) > step:
                sentences.append(_light_changed(last, change.level, f"by {change.by}"))
            last = change.level
        if ends is not None and abs(ends - last) > step:
            sentences.append(_light_changed(last, ends, "though nobody asked for it here"))
        return sentences

    def _temperature_changes(self, ends: float | None) -> list[str]:
        began, typed = self._began.temperature_C, self._typed_C
        if began is None or ends is None:
            return []
        sentences = []
        if abs(ends - began) > self._u_K:
            by = f"{ends - began:+.1f} K, to {ends:.1f} °C"
            sentences.append(
                f"While a sweep was taken the temperature changed by {by}: more than its u of {self._u_K:g} K."
            )
        if typed is not None and abs(began - typed) > 2.0 * self._u_K:
            sentences.append(
                f"The thermometer shows {began:.1f} °C and the set-up says {typed:.1f} °C, by which the lengths were "
                "taken."
            )
        return sentences


def _light_changed(before: float, after: float, who: str) -> str:
    return f"While a sweep was taken the target's light was changed from {before:.3g} to {after:.3g}, {who}."
