"""Guards every call into a detector: time limit, check of the answer, and a fault that names detector and package.

Detectors may come from other packages. Their exceptions, delays and wrong answers end the sweep, never the daemon. A
BenchdError passes unchanged.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncGenerator, AsyncIterator, Awaitable, Callable, Mapping, Sequence
from contextlib import aclosing
from typing import Any, TypeVar, cast

from benchd.detectors.detector import Detector
from benchd.detectors.registry import DECLARED
from benchd.detectors.values import Capture, Gear, Glance, Measured, Seen, Unusable
from benchd.devices import DeviceFault
from benchd.devices.guard import Guard
from benchd.errors import BenchdError, ErrorCode

T = TypeVar("T")

_ADVICE = "What was read is kept. This is a fault of that package, not of the bench; the log has it for its author."


class _DetectorGuard(Guard):
    """The guard of one detector; its faults name the package."""

    def fault(
        self, call: str, why: str, *, code: ErrorCode = "device_fault", advice: str = "", **data: str
    ) -> DeviceFault:
        about = {"detector": self.name, "package": self._driver, "call": call, **data}
        return DeviceFault(
            f"The detector '{self.name}' of {self._driver} {why}.", advice=_ADVICE, code=code, data=about
        )

    def above(self, call: str, answer: Any, least: float = 0.0) -> float:
        """The answer, if it is a number above `least`. Raises DeviceFault."""
        if (number := self.number(call, answer)) <= least:
            raise self.fault(call, f"answered {call} with {number:g}, which is not above {least:g}")
        return number


class GuardedDetector(Detector):
    """Any detector, each call guarded. Its declared attributes are those of the inner one; see `guarded`."""

    def __init__(self, found: type[Detector], gear: Gear, package: str, ours: bool) -> None:
        super().__init__(gear)
        self._ours = ours
        self._last_mono = -math.inf
        self._guard = _DetectorGuard(found.name, package)
        self._inside = self._guard.of_kind(
            "__init__", self._guard.now("__init__", lambda: found(gear), BenchdError), Detector
        )

    @property
    def point_s(self) -> float:  # type: ignore[override] # read only is all that is needed
        return self._guard.above("point_s", self._guard.now("point_s", lambda: self._inside.point_s, BenchdError))

    def frequency(self, asked: float | None) -> float:
        found = self._guard.now("frequency", lambda: self._inside.frequency(asked), BenchdError)
        return self._guard.above("frequency", found)

    @property
    def returns_every(self) -> int:
        found = self._guard.now("returns_every", lambda: self._inside.returns_every, BenchdError)
        return int(self._guard.number("returns_every", found))

    async def returned(self, capture: Capture) -> None:
        await self._ask("returned", lambda: self._inside.returned(capture))

    async def prepare(self) -> None:
        await self._ask("prepare", self._inside.prepare)

    async def marks(self, pictures: int) -> tuple[float, float, float]:
        return self._on_wall("marks", await self._ask("marks", lambda: self._inside.marks(pictures)))

    async def strip(self, pictures: int) -> tuple[float, float, float]:
        return self._on_wall("strip", await self._ask("strip", lambda: self._inside.strip(pictures)))

    def _on_wall(self, call: str, answer: Any) -> tuple[float, float, float]:
        found = self._guard.of_kind(call, answer, tuple)
        if len(found) != 3:
            raise self._guard.fault(call, f"answered {call} with {found!r:.80}, which is no value, its u and a way")
        in_sides, u_rel, across_px = (self._guard.above(call, one) for one in found)
        return in_sides, u_rel, across_px

    async def capture(self) -> Capture:
        taken = self._taken("capture", await self._ask("capture", self._inside.capture), self._last_mono)
        self._last_mono = taken.t_mono
        return taken

    def _taken(self, call: str, answer: Any, last_mono: float) -> Capture:
        taken = self._guard.of_kind(call, answer, Capture)
        if self._guard.number(call, taken.t_mono) <= last_mono:
            raise self._guard.fault(call, f"answered {call} with t_mono {taken.t_mono:g}, no later than the last")
        self._guard.of_kind(call, taken.t_utc, str)
        if self._guard.number(call, taken.exposed_s) < 0.0:
            raise self._guard.fault(call, f"answered {call} with exposed_s {taken.exposed_s:g}, which is below 0")
        if not 0.0 <= self._guard.number(call, taken.surely_s) <= taken.exposed_s:
            text = f"with surely_s {taken.surely_s:g}, which is not from 0 to exposed_s, {taken.exposed_s:g}"
            raise self._guard.fault(call, f"answered {call} {text}")
        return taken

    def check_streams(self) -> None:
        self._guard.now("check_streams", self._inside.check_streams, BenchdError)

    async def stream(self) -> AsyncIterator[Capture]:
        """Its clock may be off from that of single captures by a constant: it is only held against itself."""
        last_mono = -math.inf
        never = asyncio.Event()
        items = self._guard.items("stream", self._inside.stream, Capture, self.at_most_s, never)
        async with aclosing(cast("AsyncGenerator[Capture, None]", items)):
            async for item in items:
                taken = self._taken("stream", item, last_mono)
                last_mono = taken.t_mono
                yield taken

    async def glance(self, capture: Capture, lp_mm: float) -> Glance | Unusable:
        found = await self._ask("glance", lambda: self._inside.glance(capture, lp_mm))
        if isinstance(found, Unusable):
            return self._checked_unusable("glance", found)
        glance = self._guard.of_kind("glance", found, Glance)
        self._guard.number("glance", glance.value)
        if glance.blur is not None:
            self._guard.above("glance", glance.blur)
        return glance

    async def settle_on(self, best: Seen, within: Sequence[Seen], lp_mm: float) -> float:
        found = await self._ask("settle_on", lambda: self._inside.settle_on(best, within, lp_mm))
        if (u_rel := self._guard.number("settle_on", found)) < 0.0:
            raise self._guard.fault("settle_on", f"answered settle_on with {u_rel:g}, which is below 0")
        return u_rel

    async def measure(self, capture: Capture) -> Measured | Unusable:
        found = await self._ask("measure", lambda: self._inside.measure(capture))
        if isinstance(found, Unusable):
            return self._checked_unusable("measure", found)
        measured = self._guard.of_kind("measure", found, Measured)
        if not isinstance(measured.values, Mapping) or set(measured.values) != set(self.channels):
            why = f"answered measure with values of {measured.values!r:.80}"
            raise self._guard.fault("measure", f"{why}; its channels are {', '.join(self.channels)}")
        for pair in measured.values.values():
            if not isinstance(pair, tuple) or len(pair) != 2:
                raise self._guard.fault("measure", f"answered measure with {pair!r:.80}, which is no value with its u")
            self._guard.number("measure", pair[0])
            self._guard.above("measure", pair[1])
        if measured.brightness is not None:
            self._guard.above("measure", measured.brightness)
        self._guard.of_kind("measure", measured.linear, bool)
        for flag in self._guard.of_kind("measure", measured.flags, tuple):
            self._guard.of_kind("measure", flag, str)
        return measured

    def _checked_unusable(self, call: str, unusable: Unusable) -> Unusable:
        for text in (unusable.code, unusable.text, unusable.advice):
            self._guard.of_kind(call, text, str)
        return unusable

    async def _ask(self, call: str, work: Callable[[], Awaitable[T]]) -> T:
        try:
            return await self._guard.asked(call, work, self.at_most_s, passing=BenchdError)
        except DeviceFault as fault:
            if fault.code == "timeout" and fault.data.get("detector") == self.name:
                await self.gear.analysis.close()  # code that does not end would block all other work of the worker
            raise
        except asyncio.CancelledError:
            if not self._ours and call != "capture":
                await asyncio.shield(self.gear.analysis.close())  # it might never have ended
            raise


def guarded(found: type[Detector], gear: Gear, package: str, *, ours: bool = False) -> Detector:
    """A detector of that class with a guard around each call. Raises BenchdError if it cannot be made."""
    declared = {key: getattr(found, key) for key in ("name", *DECLARED)}
    make = cast("type[GuardedDetector]", type(f"Guarded{found.__name__}", (GuardedDetector,), declared))
    return make(found, gear, package, ours)
