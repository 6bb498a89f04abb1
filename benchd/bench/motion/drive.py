"""One motion of the motor in the carriage's own scale, and standing still after it."""

from __future__ import annotations

from collections.abc import Callable

from benchd.bench.motion.figures import MotionFigures
from benchd.bench.motion.following_error import FollowingError
from benchd.bench.motion.position import CarriagePosition
from benchd.bench.motion.stops import Stops
from benchd.devices import Axis, DeviceError, Reading


class Drive:
    """Sends the motor where the encoder's place is expected; a stop that came in between ends it as Stopped."""

    def __init__(
        self, axis: Axis, figures: MotionFigures, place: CarriagePosition, stops: Stops, following_error: FollowingError
    ) -> None:
        self._axis = axis
        self._figures = figures
        self._place = place
        self._stops = stops
        self._following_error = following_error

    @property
    def limits_um(self) -> tuple[float, float]:
        """Where it may be sent, by its own scale; see `MotionFigures.limits_um`."""
        shift_um = self._following_error.shift_um if self._place.source == "encoder" else None
        return self._figures.limits_um(self._axis.spec, shift_um)

    async def to(self, target_um: float, stops: int) -> float:
        """Drive to a place of the carriage's scale; gives the monotonic time since when it stands.

        Raises Stopped, DeviceError (`limit` where the motor's travel ends before).
        """
        spec = self._axis.spec
        wanted = target_um + self._following_error.shift_um
        motor = min(max(wanted, spec.low), spec.high)
        if abs(motor - wanted) > self._figures.tolerance_um:
            raise DeviceError(
                f"The motor's travel ends {abs(motor - wanted):.0f} µm before {target_um:.1f} µm on the scale.",
                code="limit",
                advice="Ask for a place farther inside.",
                device="carriage",
            )
        return await self.motor_to(motor, stops)

    async def motor_to(self, motor_um: float, stops: int) -> float:
        """The same for a place of the motor's own count."""
        self._stops.check(stops)
        self._place.forget()
        stood = await self._axis.move_to(motor_um, self._figures.speed_um_s)
        self._stops.check(stops)
        return stood

    async def rest(self, stood: float, stops: int, settled: Callable[[], None] = lambda: None) -> Reading:
        """The place once settled, at rest since `stood`, held against the motor's.

        `settled` is called as it begins to be read. Raises Stopped, DeviceError.
        """
        motor_um, reading = await self._place.settled(stood, self._figures.settle_s, settled)
        self._stops.check(stops)
        self._following_error.at_rest(motor_um, reading.value)
        return reading
