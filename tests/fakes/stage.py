"""The carriage's hardware: a motor that counts its steps, a screw with play, a switch, and a scale on the carriage.

`count_um` is what the controller believes, `motor_um` where its nut is, `carriage_um` where the carriage truly stands:
their difference are lost steps, and the play. Motion is at one speed, without ramps.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Literal

from benchd.devices import (
    Axis,
    AxisSpec,
    Clock,
    Encoder,
    EncoderSpec,
    HomeFailed,
    MotionFailed,
    Reading,
    Surprise,
)
from tests.fakes.device import Fake

SWITCH_UM = -1000.0
"""Where the switch acts; zero is where the carriage stands after it was backed off from there."""
STARTS_UM = 6000.0
"""Where the carriage stands before anybody has homed it, with a count of 0."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A motion that the axis was asked for: when (s), which, where to (um; None: home), and the run's state then."""

    at_s: float
    what: Literal["home", "move_to", "jog"]
    to_um: float | None
    state: str


@dataclass(frozen=True, slots=True)
class Leg:
    """One way of the motor's count (um) at one speed (um/s), from a time (s) on."""

    began_s: float
    from_um: float
    to_um: float
    speed_um_s: float

    @property
    def ends_s(self) -> float:
        return self.began_s + abs(self.to_um - self.from_um) / self.speed_um_s

    def at(self, now_s: float) -> float:
        way = min(self.speed_um_s * (now_s - self.began_s), abs(self.to_um - self.from_um))
        return self.from_um + way if self.to_um > self.from_um else self.from_um - way


class FakeAxis(Fake, Axis):
    """The motor and its controller. What was asked of it stands in `asked`, where the carriage was then in `state`."""

    def __init__(self, name: str, clock: Clock, spec: AxisSpec) -> None:
        super().__init__(name, clock)
        self.spec = spec
        self.asked: list[Asked] = []
        self.stops_s: list[float] = []
        """When it was stopped."""
        self.state_of_run: Callable[[], str] = lambda: "idle"
        self.play_um = 0.0
        self.stop_takes_s = 0.0
        """How long it runs on after a stop, at half its speed on the average."""
        self.looks_s = 0.0
        """How long it takes until a jog that it was asked for begins, beside its answer."""
        self.switch_acts = True
        self.step_um = 0.0
        """The motor stands at multiples of this alone, where it is not 0."""
        self._homed = False
        self._leg = Leg(0.0, 0.0, 0.0, 1.0)
        self._lost_um = -STARTS_UM
        self._carriage_um = STARTS_UM
        self._resting = asyncio.Event()
        self._resting.set()
        self._timer: asyncio.TimerHandle | None = None
        self._why: MotionFailed | None = None  # why the leg under way will not have ended where it was sent
        self._surprises: asyncio.Queue[Surprise | None] = asyncio.Queue()

    # What the hardware does

    @property
    def count_um(self) -> float:
        return self._leg.at(self.clock.monotonic())

    @property
    def motor_um(self) -> float:
        return self.count_um - self._lost_um

    @property
    def carriage_um(self) -> float:
        """Pushed along by the motor, which goes through the play first where it turns."""
        self._carriage_um = min(max(self._carriage_um, self.motor_um), self.motor_um + self.play_um)
        return self._carriage_um

    @property
    def moving(self) -> bool:
        return not self._resting.is_set()

    async def _go(self, to_um: float, speed_um_s: float, stops: int) -> None:
        """One leg to its end. Raises MotionFailed, also for one that was asked for before a stop."""
        if len(self.stops_s) != stops:
            raise self._stopped()
        assert not self.moving, "a motion begins while another is under way"
        self._why = None
        self._turn(round(to_um / self.step_um) * self.step_um if self.step_um else to_um, speed_um_s)
        try:
            await self._resting.wait()
        except asyncio.CancelledError:
            await self.stop()
            raise
        if self._why is not None:
            raise self._why

    def _stopped(self) -> MotionFailed:
        return MotionFailed(f"{self.name}: stopped.", device=self.name)

    def _turn(self, to_um: float, speed_um_s: float) -> None:
        _ = self.carriage_um  # the play is gone through up to here
        if self._timer is not None:
            self._timer.cancel()
        self._leg = Leg(self.clock.monotonic(), self.count_um, to_um, speed_um_s)
        self._resting.clear()
        self._timer = asyncio.get_running_loop().call_at(self._leg.ends_s, self._rest)

    def _rest(self) -> None:
        _ = self.carriage_um
        self._leg = Leg(self.clock.monotonic(), self._leg.to_um, self._leg.to_um, 1.0)
        self._resting.set()

    def _break_off(self, why: MotionFailed, *, takes_s: float) -> None:
        """Come to rest within this time."""
        if self.moving and self._why is None:
            self._why, leg = why, self._leg
            way = min(0.5 * leg.speed_um_s * takes_s, abs(leg.to_um - self.count_um))
            to_um = self.count_um + (way if leg.to_um > leg.from_um else -way)
            self._turn(to_um, max(0.5 * leg.speed_um_s, 1.0))

    # What the test does to it

    def lose_steps(self, um: float) -> None:
        """The motor slips by so much behind its count."""
        _ = self.carriage_um
        self._lost_um += um

    def push(self, um: float) -> None:
        """Somebody pushes the carriage, and the motor with it, which counts nothing."""
        self.lose_steps(-um)
        self._carriage_um += um

    def reset(self) -> None:
        """The controller begins anew: it stands there and then, and knows no place."""
        self._break_off(MotionFailed(f"{self.name}: the controller was reset.", device=self.name), takes_s=0.0)
        count_um = self.count_um
        self._leg = Leg(self.clock.monotonic(), 0.0, 0.0, 1.0)
        self._lost_um -= count_um
        self._resting.set()
        self._homed = False
        self.surprise("reset", "the controller was reset")

    def surprise(self, kind: Literal["reset", "limit", "stall", "disabled", "link"], text: str) -> None:
        self._surprises.put_nowait(Surprise(kind, text, self.clock.monotonic()))

    # What the driver promises

    @property
    def homed(self) -> bool:
        return self._homed

    def _note(self, what: Literal["home", "move_to", "jog"], to_um: float | None) -> None:
        self.asked.append(Asked(self.clock.monotonic(), what, to_um, self.state_of_run()))

    async def home(self) -> None:
        self._note("home", None)
        stops, self._homed = len(self.stops_s), False
        await self._asked()
        to_switch_um = SWITCH_UM - self.motor_um if self.switch_acts else self.spec.low - self.spec.high - 5000.0
        for way_um in (to_switch_um, -SWITCH_UM):
            try:
                await self._go(self.count_um + way_um, self.spec.top_speed, stops)
            except MotionFailed as failed:
                raise HomeFailed(f"{self.name}: homing was broken off.", device=self.name) from failed
            if not self.switch_acts:
                raise HomeFailed(f"{self.name}: the home switch did not act.", device=self.name)
        self._leg, self._lost_um = Leg(self.clock.monotonic(), 0.0, 0.0, 1.0), 0.0
        self._homed = True

    async def move_to(self, target: float, speed: float) -> float:
        self._note("move_to", target)
        stops = len(self.stops_s)
        if not self.spec.low <= target <= self.spec.high:
            raise MotionFailed(f"{self.name}: {target:.1f} um is outside its travel.", device=self.name, code="limit")
        await self._asked()
        await self._go(target, min(speed, self.spec.top_speed), stops)
        return self.clock.monotonic()

    async def jog(self, speed: float, distance: float) -> None:
        """The way counts from where the motor is as it has looked; a segment under way is replaced."""
        stops = len(self.stops_s)
        await self._asked()
        await self.clock.sleep(self.looks_s)
        if len(self.stops_s) != stops:
            raise self._stopped()
        to_um = min(max(self.count_um + distance, self.spec.low), self.spec.high)
        self._note("jog", to_um)
        self._why = None
        self._turn(to_um, min(speed, self.spec.top_speed))

    async def stop(self) -> None:
        self.stops_s.append(self.clock.monotonic())
        self._break_off(self._stopped(), takes_s=self.stop_takes_s)
        await self._asked()
        await self._resting.wait()

    async def read(self) -> Reading:
        await self._asked()
        return await self._read(self.count_um, "um")

    async def surprises(self) -> AsyncIterator[Surprise]:
        while (surprise := await self._surprises.get()) is not None:
            yield surprise

    async def close(self) -> None:
        self._surprises.put_nowait(None)
        await self.stop()


class FakeScale(Fake, Encoder):
    """A scale on the carriage, longer than it says by `error_rel`, with its mark `mark_um` above zero."""

    def __init__(self, name: str, clock: Clock, axis: FakeAxis) -> None:
        super().__init__(name, clock)
        self.spec = EncoderSpec(resolution_um=0.05, subdivision_um=0.0, u_scale=0.0)
        self.axis = axis
        self.error_rel = 0.0
        self.mark_um: float | None = 2000.0
        self.frozen_um: float | None = None
        """What it shows where it is stuck."""
        self.bad = False
        self.reads = 0

    @property
    def shows_um(self) -> float:
        return self.axis.carriage_um * (1.0 + self.error_rel) if self.frozen_um is None else self.frozen_um

    def freeze(self) -> None:
        self.frozen_um = self.shows_um

    async def read(self) -> Reading:
        self.reads += 1
        await self._asked()
        reading = await self._read(self.shows_um, "um")
        return Reading(reading.value, "um", reading.t_mono, reading.t_utc, "bad") if self.bad else reading

    async def seek_reference(self) -> bool:
        await self._asked()
        if self.mark_um is None:
            return False
        while self.axis.carriage_um < self.mark_um:  # the mark is passed from below, as the axis comes from its switch
            await self.clock.sleep(0.01)
        return True
