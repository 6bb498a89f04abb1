"""The device under test with a watch on each of its calls: one that does not come back, raises what is foreign or
answers amiss fails the test, by its name. The limits are those that the daemon gives it, or the device states."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any

import pytest

from benchd.devices import (
    Answer,
    Axis,
    AxisSpec,
    Device,
    DeviceError,
    Exposure,
    Frame,
    Health,
    Identity,
    Light,
    Meter,
    Reading,
)
from benchd.errors import Refused
from benchd.testing.rig import nothing_bars

CLOSES_S = 10.0
MOVE_MARGIN_S = 30.0
"""Beyond three times what distance, speed and acceleration ask for."""
KINDS: dict[str, type[object]] = {
    "open": Identity,
    "close": object,
    "health": Health,
    "home": object,
    "move_to": float,
    "jog": object,
    "stop": object,
    "read": Reading,
    "seek_reference": bool,
    "set_level": object,
    "level": float,
    "configure": Exposure,
    "grab": Frame,
    "ask": Answer,
}
"""The calls that are watched, and what each answers with; `object` where nobody looks at it."""
OWN_ERRORS: dict[str, tuple[type[Exception], ...]] = {
    "move_to": (ValueError,),
    "jog": (ValueError,),
    "set_level": (ValueError,),
    "configure": (ValueError,),
    "ask": (Refused,),
}
"""What a call may raise beside the errors of `benchd.devices`."""


MOTIONS = ("home", "move_to", "jog")


class Watched:
    """Stands in for a device: what is no call of the interface is the device's own. `bars` as in `Rig`."""

    def __init__(self, device: Device, bars: Callable[[], Awaitable[str]] = nothing_bars) -> None:
        self._device = device
        self._bars = bars

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._device, name)
        return partial(self._call, name, found) if name in KINDS and callable(found) else found

    async def _call(self, name: str, call: Callable[..., Any], *args: Any, **more: Any) -> Any:
        """In the caller's own task, so that its cancellation is the device's to pass on."""
        if self._acts(name, *args) and (why := await self._bars()):
            pytest.fail(
                f"{name}() was not asked for, and nothing has moved or been lit: {why}. See to it, then begin again"
            )
        within_s = self._within_s(name, *args)
        limit = asyncio.timeout(within_s)
        try:
            async with limit:
                answer = await call(*args, **more)
        except Exception as error:
            if limit.expired():
                pytest.fail(f"{name}() has not come back within {within_s:g} s")
            if isinstance(error, (DeviceError, *OWN_ERRORS.get(name, ()))):
                raise
            pytest.fail(f"{name}() raised {error!r}, which is no error of benchd.devices")
        if limit.expired():  # it came back because it was cancelled
            pytest.fail(f"{name}() has not come back within {within_s:g} s")
        if wrong := self._wrong(name, answer):
            pytest.fail(f"{name}() answered {wrong}")
        return answer

    def _acts(self, name: str, *args: Any) -> bool:
        """Whether a call begins what a switch may bar."""
        if name == "set_level" and isinstance(self._device, Light):
            return bool(args) and args[0] > self._device.spec.safe_level
        return name in MOTIONS

    def _within_s(self, name: str, *args: Any) -> float | None:
        device = self._device
        if name == "move_to" and isinstance(device, Axis):
            return _way_s(device.spec, args[1])
        if name in ("ask", "close"):
            return CLOSES_S if name == "close" else None  # a person takes as long as it takes
        stated = {"open": "opens_within_s", "home": "homes_within_s", "stop": "rests_within_s"}
        within_s: float = getattr(device, stated.get(name, "answers_within_s"))
        return within_s

    def _wrong(self, name: str, answer: object) -> str:
        """What is wrong with an answer; empty where nothing is."""
        kind = KINDS[name]
        if kind is float:
            return _no_number(answer)
        if not isinstance(answer, kind):
            return f"{answer!r:.80}, which is no {kind.__name__}"
        if isinstance(answer, Health) and answer.state not in ("ok", "degraded", "fault"):
            return f"the state {answer.state!r:.80}, which is none of 'ok', 'degraded' and 'fault'"
        if isinstance(answer, Reading):
            if answer.unit != self._unit:
                return f"in {answer.unit!r:.80}, not in {self._unit!r}"
            return _no_number(answer.value)
        return ""

    @property
    def _unit(self) -> str:
        device = self._device
        if isinstance(device, Meter):
            return device.unit
        return device.spec.unit if isinstance(device, Axis) else "um"


def _way_s(spec: AxisSpec, speed: float) -> float:
    """What a move may take at most; one at an impossible speed is refused."""
    if not (math.isfinite(speed) and speed > 0.0):
        return MOVE_MARGIN_S
    fastest = min(speed, spec.top_speed)
    return 3.0 * ((spec.high - spec.low) / fastest + fastest / spec.acceleration) + MOVE_MARGIN_S


def _no_number(value: object) -> str:
    if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return ""
    return f"{value!r:.80}, which is no finite number"
