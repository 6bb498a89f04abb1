"""The homing cycle: search fast, back off, find again slowly, back off, count from there."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable

from benchd_simulators.firmware.machine import Limb
from benchd_simulators.firmware.news import LONGEST_TICK_S
from benchd_simulators.firmware.settings import Settings

SEARCH_TRAVELS = 1.5  # of the greatest travel
LOCATE_PULL_OFFS = 5.0
# A board looks at its switch between two steps, this one when the computer lets it. So the motor is never told to go
# further than it needs to stop and this much on: that bounds its overrun, well below the pull-off. Where the switch is
# far it is looked at less often.
OVERRUN_UM = 10.0
FAR_UM = 50.0


class HomingFailed(Exception):
    """`alarm` is the published code: 8 the switch does not let go, 9 it was not found."""

    def __init__(self, alarm: int) -> None:
        super().__init__(f"ALARM:{alarm}")
        self.alarm = alarm


async def home(limb: Limb, settings: Settings, way: int, tick: Callable[[float], Awaitable[None]]) -> None:
    """Find a switch on the way of the motor (1 or -1); it then counts from where the last pull-off ended.

    `tick(seconds)` sleeps (0: the shortest time) and raises where the cycle is aborted. Raises HomingFailed; the motor
    then stands still, and what it counts means nothing.
    """
    await _approach(limb, settings, way * SEARCH_TRAVELS * settings.travel_um, settings.seek_um_s, tick)
    await _pull_off(limb, settings, -way, tick)
    await _approach(limb, settings, way * LOCATE_PULL_OFFS * settings.pull_off_um, settings.locate_um_s, tick)
    await _pull_off(limb, settings, -way, tick)
    limb.motor.zero()


async def _approach(
    limb: Limb,
    settings: Settings,
    search_um: float,
    speed_um_s: float,
    tick: Callable[[float], Awaitable[None]],
) -> None:
    """Go as far as `search_um` (signed) until a switch trips, and stop there. Both ends share one input."""
    if tripped(limb):  # the pulses of this axis are cut before they begin
        return
    motor = limb.motor
    start_um, way = motor.position_um, math.copysign(1.0, search_um)
    leash_um = speed_um_s**2 / (2 * settings.acceleration_um_s2) + OVERRUN_UM
    sent_um = -math.inf  # how far from the start it was sent
    while not tripped(limb):
        if not motor.moving and sent_um >= abs(search_um):
            raise HomingFailed(9)
        far_um = max(0.0, limb.switches_off_um - FAR_UM)
        next_um = min(abs(search_um), way * (motor.position_um - start_um) + leash_um + far_um)
        if next_um > sent_um:
            sent_um = next_um
            motor.start(start_um + way * sent_um, speed_um_s)
        await tick(min(far_um / speed_um_s, LONGEST_TICK_S))
    motor.abort()


async def _pull_off(limb: Limb, settings: Settings, way: int, tick: Callable[[float], Awaitable[None]]) -> None:
    motor = limb.motor
    await tick(settings.debounce_s)
    motor.start(motor.position_um + way * settings.pull_off_um, settings.seek_um_s)
    while motor.moving:
        await tick(motor.rests_in_s)
    await tick(settings.debounce_s)
    if tripped(limb):
        raise HomingFailed(8)


def tripped(limb: Limb) -> bool:
    """The limit input: a switch at either end of the travel."""
    return limb.limit_switch or limb.end_switch
