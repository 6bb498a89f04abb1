"""The homing cycle: search fast, back off, find again slowly, back off, count from there."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable

from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.settings import Settings

SEARCH_TRAVELS = 1.5  # of the greatest travel
LOCATE_PULL_OFFS = 5.0
# A board looks at its switch between two steps, this one when the computer lets it. So the motor is never told to go
# further than it needs to stop and this much on: that bounds its overrun, well below the pull-off.
OVERRUN_UM = 10.0


class HomingFailed(Exception):
    """`alarm` is the published code: 8 the switch does not let go, 9 it was not found."""

    def __init__(self, alarm: int) -> None:
        super().__init__(f"ALARM:{alarm}")
        self.alarm = alarm


async def home(machine: Machine, settings: Settings, tick: Callable[[float], Awaitable[None]]) -> None:
    """Find the switch at the low end; 0 is then where the carriage stands after the last pull-off.

    `tick(seconds)` sleeps (0: the shortest time) and raises where the cycle is aborted. Raises HomingFailed; the motor
    then stands still, and what it counts means nothing.
    """
    await _approach(machine, settings, SEARCH_TRAVELS * settings.travel_um, settings.seek_um_s, tick)
    await _pull_off(machine, settings, tick)
    await _approach(machine, settings, LOCATE_PULL_OFFS * settings.pull_off_um, settings.locate_um_s, tick)
    await _pull_off(machine, settings, tick)
    machine.motor.zero()


async def _approach(
    machine: Machine,
    settings: Settings,
    search_um: float,
    speed_um_s: float,
    tick: Callable[[float], Awaitable[None]],
) -> None:
    """Go towards the switch until it trips, and stop there."""
    if machine.limit_switch:  # the pulses of this axis are cut before they begin
        return
    motor = machine.motor
    goal_um = motor.position_um - search_um
    leash_um = speed_um_s**2 / (2 * settings.acceleration_um_s2) + OVERRUN_UM
    sent_um = math.inf
    while not machine.limit_switch:
        if not motor.moving and sent_um <= goal_um:
            raise HomingFailed(9)
        next_um = max(goal_um, motor.position_um - leash_um)
        if next_um < sent_um:
            sent_um = next_um
            motor.start(sent_um, speed_um_s)
        await tick(0.0)
    motor.abort()


async def _pull_off(machine: Machine, settings: Settings, tick: Callable[[float], Awaitable[None]]) -> None:
    motor = machine.motor
    await tick(settings.debounce_s)
    motor.start(motor.position_um + settings.pull_off_um, settings.seek_um_s)
    while motor.moving:
        await tick(0.0)
    await tick(settings.debounce_s)
    if machine.limit_switch:
        raise HomingFailed(8)
