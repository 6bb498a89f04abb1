"""A rotary axis in a role: homed, turned to an angle from one side, always stopped, and trusted only while its
controller is sure. It has no optics: where nominal is, and what is clear, is not its matter.

It obeys the carriage's own rules by the carriage's own code: a stop of anything is one of everything, and nothing that
was asked for before one begins after it; a switch that bars motion bars this; a surprise costs the trust.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from typing import NamedTuple

from benchd.bench.motion.figures import rest_to_rest_s
from benchd.bench.motion.stops import Stops
from benchd.bench.motion.trust import Lost, Trust
from benchd.devices import Axis, AxisSpec, Clock, DeviceError, DeviceFault, HomeFailed, LinkError, MotionFailed, Reading
from benchd.errors import Refused

RUN_UP_DEG = 5.0
"""How far it goes past a place first, where it would come from the wrong side: more than the play of any gear that
still holds a ring (common practice, no source)."""
SETTLE_S = 0.15
SLOW_HOME_S = 3.0
"""Of homing, off the switch and back to it slowly."""


class Turns(NamedTuple):
    """What a turn is foreseen by: how fast, from which side, between which angles (deg)."""

    spec: AxisSpec

    @property
    def up(self) -> float:
        return 1.0 if self.spec.approach == "from_below" else -1.0

    @property
    def limits_deg(self) -> tuple[float, float]:
        """Inside the travel by the run-up, on the side where it lies."""
        low, high = self.spec.low, self.spec.high
        return (low + RUN_UP_DEG, high) if self.up > 0 else (low, high - RUN_UP_DEG)

    @property
    def tolerance_deg(self) -> float:
        """How near counts as there: controllers round to steps."""
        return 2.0 * self.spec.resolution

    def check(self, name: str, target_deg: float) -> None:
        """Raise Refused('limit')."""
        low, high = self.limits_deg
        if not low - 1e-9 <= target_deg <= high + 1e-9:
            raise Refused(
                "limit",
                f"{target_deg:.2f}° is outside the limits of {name}, {low:g} to {high:g}°.",
                advice="Ask for an angle inside.",
                data={"asked_deg": target_deg, "low_deg": low, "high_deg": high},
            )

    def runs_up(self, here_deg: float, target_deg: float) -> bool:
        """Whether it has to go past its place first."""
        return (target_deg - here_deg) * self.up < RUN_UP_DEG

    def seconds(self, here_deg: float, target_deg: float) -> float:
        """What a turn takes."""
        ways = [target_deg - here_deg]
        if self.runs_up(here_deg, target_deg):
            before = target_deg - self.up * RUN_UP_DEG
            ways = [before - here_deg, target_deg - before]
        return SETTLE_S + sum(rest_to_rest_s(way, self.spec.top_speed, self.spec.acceleration) for way in ways if way)

    @property
    def home_s(self) -> float:
        """What homing takes, about."""
        return (self.spec.high - self.spec.low) / self.spec.top_speed + SLOW_HOME_S


class Turner:
    """`begin` is what any motion of the bench waits for: no stop under way or since, no switch that bars it."""

    def __init__(
        self,
        name: str,
        axis: Axis,
        stops: Stops,
        begin: Callable[[int | None], Awaitable[int]],
        clock: Clock,
        lost: Lost,
    ) -> None:
        self.name = name
        self.trust = Trust(lost, name)
        self.placed_deg: float | None = None
        """Where it was driven to and has stood since; None where it was moved otherwise, or not at all."""
        self.barred: str | None = None
        """Why it cannot be moved at present: its controller is offline. None if it can."""
        self.may_turn = False
        """From before it is told to move until its controller has told that this is over, or that it obeyed a stop."""
        self.changed: Callable[[], None] = lambda: None
        """Called synchronously when `state` changes."""
        self._axis = axis
        self._stops = stops
        self._begin = begin
        self._clock = clock
        self._state = "idle"

    @property
    def state(self) -> str:
        """`idle`, `moving` or `homing`."""
        return self._state

    def _is(self, state: str) -> None:
        if state != self._state:
            self._state = state
            self.changed()

    @property
    def turns(self) -> Turns:
        """Raises DeviceError where the driver fails even at its travel."""
        return Turns(self._axis.spec)

    async def read(self) -> Reading:
        """Its angle (deg)."""
        return await self._axis.read()

    def stands_at(self, angle_deg: float) -> bool:
        """Whether it is trusted, was driven there, and has stood there since."""
        placed = self.placed_deg
        return self.trust.homed and placed is not None and abs(placed - angle_deg) <= self.turns.tolerance_deg

    async def home(self, since: int | None) -> None:
        """Find the switch. Raises DeviceError, Stopped, Refused (interlock). `since` as for the carriage."""
        self._require_present()
        stops = await self._begin(since)
        self.trust.lose("homing", "homing")
        self.placed_deg = None
        self._is("homing")
        losses, why = self.trust.losses, "homing was broken off"
        try:
            with self._told_to_move():
                await self._axis.home()
            self._stops.check(stops)
            if self.trust.losses != losses or not self._axis.homed:
                raise HomeFailed(
                    f"Something happened after the switch of {self.name} was found: {self.trust.why}.",
                    advice="Find the cause, then home again.",
                    device=self.name,
                )
            self.trust.gain()
        except DeviceError as failed:
            why = failed.text.rstrip(".")
            self._stops.check(stops)
            raise
        finally:
            if not self.trust.homed:
                self.trust.lose("homing", why)
            self._is("idle")

    async def go(self, target_deg: float, since: int | None) -> Reading:
        """Turn to an angle, from the side that is always the same; its settled reading.

        Raises Refused (not_homed, limit, interlock), Stopped, DeviceError.
        """
        self.check(target_deg)
        turns = self.turns
        stops = await self._begin(since)
        self.trust.require()
        self.placed_deg = None
        self._is("moving")
        try:
            here = (await self.read()).value
            if turns.runs_up(here, target_deg):
                await self._to(target_deg - turns.up * RUN_UP_DEG, stops)
            stood = await self._to(target_deg, stops)
            await self._clock.until(stood + SETTLE_S)
            reading = await self.read()
            self._stops.check(stops)
            self.trust.require()
            if abs(reading.value - target_deg) > turns.tolerance_deg:
                self.trust.lose("stall", f"it ended at {reading.value:.2f}° and was sent to {target_deg:.2f}°")
                self.trust.require()
            self.placed_deg = target_deg
            return reading
        except (DeviceFault, LinkError) as failed:  # it is not known what the controller received
            self.trust.lose("link", failed.text.rstrip("."))
            raise
        except MotionFailed as failed:
            self._stops.check(stops)
            if failed.code not in ("busy", "interlock"):  # else it was not begun, or ended in good order
                self.trust.lose("limit", failed.text.rstrip("."))
            raise
        finally:
            self._is("idle")

    async def _to(self, angle_deg: float, stops: int) -> float:
        """One leg, where motion may begin now: whatever came while the one before was under way keeps it from that."""
        await self._begin(stops)
        self.trust.require()
        with self._told_to_move():
            stood = await self._axis.move_to(angle_deg, self.turns.spec.top_speed)
        self._stops.check(stops)
        return stood

    @contextmanager
    def _told_to_move(self) -> Iterator[None]:
        self.may_turn = True
        try:
            yield
        except (DeviceFault, LinkError):  # it is not known what the controller received, nor what it does
            raise
        except DeviceError:
            self.may_turn = False
            raise
        self.may_turn = False

    def check(self, target_deg: float) -> None:
        """Raise Refused (not_homed, limit), DeviceError where it cannot be turned there as things stand."""
        self._require_present()
        self.trust.require()
        self.turns.check(self.name, target_deg)

    def _require_present(self) -> None:
        if self.barred is not None:
            raise DeviceError(f"{self.name} cannot be turned: {self.barred}.", device=self.name)

    async def stop(self) -> None:
        """Stop at once; returns at standstill. Safe at any time. The bench counts it, with all that it stops."""
        with self._stops.halting():
            if self._state != "idle":
                self.placed_deg = None
            try:
                await self._axis.stop()
            except DeviceError as error:
                self.trust.lose("link", f"the stop was not confirmed: {error.text.rstrip('.')}")
                raise
            self.may_turn = False
            if self.trust.homed and not self._axis.homed:
                self.trust.lose("reset", "the controller lost its place in the stop")
