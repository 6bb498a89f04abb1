"""The carriage in closed loop: position, moves, homing, stop.

With an encoder, the motor is sent to where the encoder is expected to read the target, the encoder is read, and the
error is corrected. Without one the motor's steps are the position. The last motion of an approach always has the same
direction, so that backlash is always taken up on the same side.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager

from benchd.bench.holds import Hold, Holds
from benchd.bench.jobs import Stopped
from benchd.bench.motion.approaching import Approaching
from benchd.bench.motion.drive import Drive
from benchd.bench.motion.figures import MotionFigures, check_limits, run_up_um
from benchd.bench.motion.following_error import FollowingError
from benchd.bench.motion.homing import Homing
from benchd.bench.motion.jogging import Bounds, Jogged, Jogging
from benchd.bench.motion.passing import Passing, Polled
from benchd.bench.motion.position import CarriagePosition
from benchd.bench.motion.stops import Stops
from benchd.bench.motion.trust import Trust
from benchd.bench.time_table import spent
from benchd.devices import (
    Approach,
    Axis,
    Clock,
    DeviceError,
    DeviceFault,
    Encoder,
    MotionFailed,
    Reading,
)


async def _always_clear() -> None:
    """A carriage without a bench around it has no switches."""


class Positioner:
    """Homes, moves and stops the carriage, and checks that motor and encoder agree."""

    def __init__(self, axis: Axis, scale: Encoder | None, figures: MotionFigures, trust: Trust, clock: Clock) -> None:
        self._axis = axis
        self._scale = scale
        self._figures = figures
        self._trust = trust
        self._clock = clock
        self.all_stops = self._stops = Stops(clock)
        self._place = CarriagePosition(axis, scale, clock, lambda: self.state == "idle")
        self._following_error = FollowingError(figures, trust)
        self._drive = Drive(axis, figures, self._place, self._stops, self._following_error, trust)
        self.holds = Holds(clock, "The carriage is moved by hand")
        self._jogging = Jogging(axis, self._place, self.holds, trust, clock)
        self._state = "idle"
        self.changed: Callable[[], None] = lambda: None
        """Called synchronously when `state` changes, so that it is published before any consequence."""
        self._approaching = Approaching(axis, scale, figures, self._drive, trust, self.here)
        self._passing = Passing(self._drive, self.read, self._stops, clock)
        self._homing = Homing(axis, scale, self._drive, self._stops, clock, self._approaching.to)
        self.may_begin: Callable[[], bool] = lambda: True
        """Whether a motion may begin: checked last, after everything that the caller had to wait for."""
        self.clear: Callable[[], Awaitable[None]] = _always_clear
        """Returns where no switch bars motion, as read a moment ago; raises Refused('interlock') else."""
        self.barred: str | None = None
        """Why the carriage cannot be moved at present: its controller or its scale is offline. None if it can."""

    @property
    def state(self) -> str:
        """What the carriage is doing: `idle`, `moving` or `homing`."""
        return self._state

    @state.setter
    def state(self, state: str) -> None:
        if state != self._state:
            self._state = state
            self.changed()

    @property
    def limits_um(self) -> tuple[float, float]:
        """Soft limits in the carriage coordinate: the axis's own, narrowed by its zero's shift from the scale's."""
        return self._drive.limits_um

    def check_limits(self, carriage_um: float, approach: Approach | None = None) -> None:
        """Raise Refused('limit') for a position outside the carriage's limits, or, approached from the other side than
        always, too near their end for the run-up there."""
        check_limits(carriage_um, self.limits_um)
        if self._approaching.is_other(approach):
            low, high = self.limits_um
            run, up = self._figures.approach_um, approach == "from_below"
            check_limits(carriage_um, (low + run * up, high - run * (not up)))

    @property
    def homing_um(self) -> tuple[float, float]:
        """Lowest and highest position that homing may reach (um)."""
        return self._homing.reach_um

    @property
    def seeking_switch(self) -> bool:
        """Whether the controller's own homing cycle is under way: it may reset and trip switches meanwhile."""
        return self._homing.seeking_switch

    @property
    def stops(self) -> int:
        """How often `stop` was called; two different counts show that a stop came in between."""
        return self._stops.count

    @property
    def stopped_s(self) -> float:
        """When `stop` was last called (s, monotonic time of the clock)."""
        return self._stops.last_s

    @property
    def stopped_by(self) -> str | None:
        """The user of the last stop; None if there was none, or for a stop by the bench itself."""
        return self._stops.last_by

    @property
    def place_um(self) -> float | None:
        """The carriage position last read."""
        return None if self._place.last is None else self._place.last.value

    @property
    def last_reading(self) -> Reading | None:
        """The same with its time; of the scale if there is one."""
        return self._place.last

    @property
    def overshoot_um(self) -> float:
        """How far below a target the carriage may go first, to approach it from below (um)."""
        return self._figures.approach_um if self._axis.spec.approach == "from_below" else 0.0

    @property
    def top_speed_um_s(self) -> float:
        """The speed of all motions but those at a constant speed that was asked for."""
        return self._figures.speed_um_s

    def run_up_um(self, speed_um_s: float) -> float:
        """The way on which a carriage that turns round comes to a constant speed: its ramp, and the backlash."""
        return run_up_um(speed_um_s, self._axis.spec.acceleration, self._figures.approach_um)

    @property
    def source(self) -> str:
        """What measures the position: `encoder` or `steps`."""
        return self._place.source

    async def read(self) -> Reading:
        """The carriage position (um), by the encoder if there is one."""
        return await self._place.read()

    async def home(self, *, since: int | None = None) -> None:
        """Find the switch, then the reference mark, compare with the encoder, come to rest inside the limits.

        Raises DeviceError, Stopped, Refused (interlock).

        `since` is the number of stops at the time of the request: a later stop ends it, even one before it began.
        """
        if self.barred is not None:
            raise DeviceError(f"The carriage cannot be homed: {self.barred}.", device="carriage")
        stops = await self.wait_until_free(since)
        position_known = self._trust.homed
        self._trust.lose("homing", "homing")
        self.state = "homing"
        why = "homing was broken off"
        try:
            with spent("homing", None):
                await self._homing.find_zero(stops, position_known, self._trust)
            self._following_error.set_reference()
            self._trust.gain()
        except Stopped:
            why = "homing was stopped"
            raise
        except DeviceError as failed:
            why = failed.text.rstrip(".")
            raise
        finally:
            if not self._trust.homed:
                self._trust.lose("homing", why)
            self.state = "idle"

    async def go(
        self,
        target_um: float,
        *,
        exact: bool = True,
        since: int | None = None,
        approach: Approach | None = None,
        settled: Callable[[], None] = lambda: None,
    ) -> Reading:
        """Bring the carriage to `target_um` and return its settled reading there.

        `exact` corrects until the tolerance is met; otherwise there is one approach, and the reading says where it
        ended. `since` as for `home`. `approach` is the side from which it comes; None is the axis's own, as always but
        where backlash is measured. `settled` is called each time it has settled, just before the position is read: a
        picture may be exposed meanwhile. Raises Refused (not_homed, limit, interlock), Stopped, DeviceError.
        """
        self._trust.require()
        self.check_limits(target_um, approach)
        stops = await self._begun(since)
        async with self._in_motion(stops):
            return await self._approaching.to(target_um, exact, stops, settled, approach)

    async def pass_through(self, ends_um: Sequence[float], speed_um_s: float, polled: Polled) -> Reading:
        """Drive at a constant speed to each of these places in turn, from where it stands, and give the settled reading
        at the last. `polled` is told the position on its way, with the number of the place it is under way to.

        Between them it stands for as long as the controller takes to turn round. Raises as `go`.
        """
        self._trust.require()
        for end_um in ends_um:
            self.check_limits(end_um)
        stops = await self._begun(None)
        async with self._in_motion(stops):
            self._approaching.from_other_side = None  # the backlash will lie as the last way leaves it
            return await self._passing.through(ends_um, speed_um_s, polled, stops)

    async def _begun(self, since: int | None) -> int:
        """The number of stops as a motion begins, and the last place is known not to have crept."""
        since = self.stops if since is None else since
        if self.state == "idle":  # before it moves, as a push shows at rest alone
            self._following_error.check_creep(await self.here())
        stops = await self.wait_until_free(since)
        self._trust.require()
        return stops

    async def jog(self, hold: Hold, bounds: Bounds, *, since: int | None = None) -> Jogged:
        """Move as somebody holds on, between `bounds`; returns at standstill, once the hold is over.

        `since` as for `home`. Raises Refused (not_homed, interlock), Stopped, DeviceError.
        """
        try:
            self._trust.require()
            stops = await self._begun(since)

            def still() -> None:
                self._stops.check(stops)
                self._trust.require()

            async with self._in_motion(stops):
                let_go_um = await self._jogging.follow(hold, bounds, still)
                await self._come_to_rest()
                still()
                reading = await self.read()
            self._approaching.from_other_side = None  # the backlash lies as the last direction left it
            return Jogged(reading.value, reading.value - let_go_um)
        finally:
            self.holds.over(hold)

    @asynccontextmanager
    async def _in_motion(self, stops: int) -> AsyncIterator[None]:
        """The carriage is told as moving meanwhile; what ends it by an error costs trust, unless that was in order."""
        self.state = "moving"
        self._following_error.rest_um = None
        try:
            yield
        except asyncio.CancelledError:
            # The axis returns only at standstill. Its position has to be noted, or it would look like creep.
            await self._come_to_rest()
            raise
        except DeviceFault as fault:  # it is not known what the controller received
            self._trust.lose("link", fault.text.rstrip("."))
            raise
        except MotionFailed as failed:
            self._stops.check(stops)
            if failed.code == "interlock":  # a safety device ended it in an orderly way; the axis knows if it is homed
                await self._come_to_rest()
            else:
                self._trust.lose("limit", str(failed.text).rstrip("."))
            raise
        finally:
            self.state = "idle"

    async def wait_until_free(self, since: int | None) -> int:
        """What any motion of the bench waits for, also of what turns.

        The number of stops as a motion begins. Raises Stopped, and Refused('interlock'), if none may begin.
        """
        stops = await self._stops.free(since)
        await self.clear()
        self._stops.check(stops)
        if not self.may_begin():
            raise Stopped(self._stops.last_by)
        return stops

    async def here(self) -> float:
        """The carriage position (um); a recent reading at rest is used if nothing has moved since."""
        fresh = self._place.fresh()
        return (await self.read()).value if fresh is None else fresh

    async def watch_once(self) -> Reading:
        """Poll the carriage once: following error in motion, creep at rest. Raises DeviceError if they disagree."""
        if self._scale is None:
            place = await self.read()
            await self._homing.check_reach_in_cycle(place.value)
            return place
        began = self._clock.monotonic()
        before = await self._axis.read()
        place = await (self.read() if self.state == "idle" else self._place.watched())
        await self._homing.check_reach_in_cycle(place.value)
        if not self._trust.homed:
            return place
        if self.state == "idle":
            self._following_error.check_creep(place.value)
        else:
            now = self._clock.monotonic()
            # The motor may have been queried by another task before `began`. Its time stamp is the middle between query
            # and answer, so the query was no longer ago than twice the time since then.
            self._following_error.check_in_motion(
                before.value, place.value, max(now - began, 2.0 * (now - before.t_mono))
            )
        return place

    def void(self) -> None:
        """What was asked for before does not begin any more; nothing is stopped."""
        self._stops.void()

    async def stop(self, by: str | None = None) -> None:
        """Stop at once; returns at standstill. Safe at any time. `by` is the user who asked."""
        with self._stops.stopping(by):
            self._place.forget()
            # Not known until it has come to rest: decelerating would look like creep.
            self._following_error.rest_um = None
            try:
                await self._axis.stop()
                await self._come_to_rest()  # before anything moves again: motor and encoder are compared at rest
            except DeviceError as error:
                self._trust.lose("link", f"the stop was not confirmed: {error.text.rstrip('.')}")
                raise

    async def _come_to_rest(self) -> None:
        """After an interrupted motion: check that the controller kept its position, and note where the carriage is."""
        if not self._trust.homed:
            return
        if not self._axis.homed:
            self._trust.lose("reset", "the controller lost its place in the stop")
            return
        try:
            motor_um = (await self._axis.read()).value
            self._following_error.check_at_rest(motor_um, (await self.read()).value)
        except DeviceError as error:
            if self._trust.homed:
                self._trust.lose("link", f"it could not be read after the stop: {error.text.rstrip('.')}")
