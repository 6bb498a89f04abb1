"""Homing: the controller's cycle to the switch, the scale's reference mark, then into the limits."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from benchd.bench.motion.drive import Drive
from benchd.bench.motion.figures import HOMING_BEYOND_UM
from benchd.bench.motion.stops import Stops
from benchd.bench.motion.trust import Trust
from benchd.devices import Axis, AxisSpec, Clock, DeviceError, Encoder, HomeFailed, Reading

INSIDE_LIMITS_UM = 5.0
"""How far inside its limits the carriage comes to rest after homing; the limits shift by less on the way there."""

Approach = Callable[[float, bool, int, Callable[[], None]], Awaitable[Reading]]
"""Arguments: target (um), exact or in one approach, number of stops at the start, callback once settled."""


class Homing:
    """Finds the carriage's zero, and stops it if the home switch does not act."""

    def __init__(
        self, axis: Axis, scale: Encoder | None, drive: Drive, stops: Stops, clock: Clock, approach: Approach
    ) -> None:
        self._axis = axis
        self._scale = scale
        self._drive = drive
        self._stops = stops
        self._clock = clock
        self._approach = approach
        self.seeking_switch = False
        """Whether the controller's own homing cycle is under way: it may reset and trip switches meanwhile."""
        self._position_known = False
        self._switch_failed: HomeFailed | None = None

    @property
    def reach_um(self) -> tuple[float, float]:
        """Lowest and highest position that the homing cycle may reach (um)."""
        return self._axis.spec.low - HOMING_BEYOND_UM, self._axis.spec.high + HOMING_BEYOND_UM

    async def find_zero(self, stops: int, position_known: bool, trust: Trust) -> None:
        """Home completely, while the number of stops stays `stops`. Raises DeviceError, Stopped.

        `position_known`: the position was trusted until now, so `check_reach_in_cycle` detects an overrun.
        """
        self._position_known, self._switch_failed = position_known, None
        try:
            self.seeking_switch = True
            try:
                await self._axis.home()
            finally:
                self.seeking_switch = False
            losses = trust.losses
            self._stops.check(stops)
            if self._scale is not None:
                await find_mark(self._drive, self._axis.spec, self._scale, stops)
            await self._into_limits(await self._drive.rest(self._clock.monotonic(), stops), stops)
        except DeviceError as error:
            self._stops.check(stops)
            raise self._switch_failed or error from None
        if trust.losses != losses or not self._axis.homed:
            raise HomeFailed(
                f"Something happened after the switch was found: {trust.why}.",
                advice="Find the cause, then home again.",
                device="carriage",
            )

    async def _into_limits(self, place: Reading, stops: int) -> None:
        """If the switch lies outside the limits, where no small move would be allowed, go to the nearest limit."""
        low, high = self._drive.limits_um
        if not low <= place.value <= high:
            nearest = min(max(place.value, low + INSIDE_LIMITS_UM), high - INSIDE_LIMITS_UM)
            await self._approach(nearest, True, stops, lambda: None)

    async def check_reach_in_cycle(self, place_um: float) -> None:
        """Check a position during the cycle; stop the carriage beyond the range that was checked for clearance."""
        if not (self.seeking_switch and self._position_known) or self._switch_failed is not None:
            return
        low, high = self.reach_um
        if not low <= place_um <= high:
            self._switch_failed = HomeFailed(
                f"The carriage went on to {place_um:.0f} µm and the home switch did not act; "
                f"homing may go from {low:.0f} to {high:.0f} µm.",
                advice="Check the switch and its cable, then home again.",
                device="carriage",
            )
            await self._axis.stop()


MARK_WITHIN_UM = 5000.0
MARK_ANSWER_S = 0.3


async def find_mark(drive: Drive, spec: AxisSpec, scale: Encoder, stops: int) -> None:
    """Pass the reference mark, starting at the switch. Raises HomeFailed if no mark is seen, Stopped."""
    seeking = asyncio.create_task(scale.seek_reference(), name="reference mark")
    try:
        await asyncio.wait([seeking], timeout=MARK_ANSWER_S)
        if not seeking.done():
            await drive.motor_to(min(spec.low + MARK_WITHIN_UM, spec.high), stops)
            await asyncio.wait([seeking], timeout=MARK_ANSWER_S)
        if not seeking.done():
            raise HomeFailed(
                f"The encoder's reference mark was not seen within {MARK_WITHIN_UM:.0f} µm of the switch.",
                advice="Check the encoder's head and its reference output.",
                device="position",
            )
        seeking.result()
    finally:
        seeking.cancel()
        await asyncio.wait([seeking])
