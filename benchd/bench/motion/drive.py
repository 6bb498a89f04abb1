"""One motion of the motor to a position on the carriage's scale, and standstill after it."""

from __future__ import annotations

from collections.abc import Callable

from benchd.bench.motion.figures import MotionFigures, rest_to_rest_s
from benchd.bench.motion.following_error import FollowingError
from benchd.bench.motion.position import CarriagePosition
from benchd.bench.motion.stops import Stops
from benchd.bench.motion.trust import Trust
from benchd.bench.time_table import spent
from benchd.devices import Axis, DeviceError, LinkError, Reading

STILL_TRIES = 20
"""How often a carriage that settles more slowly than stated is waited for, so long each time."""
STILL_AGAIN = 2
"""So many times of settling on end it has to stand, once it was seen to move."""


class Drive:
    """Sends the motor to where the encoder is expected to read the target; a stop meanwhile raises Stopped."""

    def __init__(
        self,
        axis: Axis,
        figures: MotionFigures,
        place: CarriagePosition,
        stops: Stops,
        following_error: FollowingError,
        trust: Trust,
    ) -> None:
        self._axis = axis
        self._figures = figures
        self._place = place
        self._stops = stops
        self._following_error = following_error
        self._trust = trust
        self._left_at_um: float | None = None  # where the last motion ended, in the motor's count; for times alone

    @property
    def limits_um(self) -> tuple[float, float]:
        """Limits of the carriage on its own scale; see `MotionFigures.limits_um`."""
        shift_um = self._following_error.shift_um if self._place.source == "encoder" else None
        return self._figures.limits_um(self._axis.spec, shift_um, self._place.range_um)

    async def to(self, target_um: float, stops: int, speed_um_s: float | None = None) -> float:
        """Drive to a position on the carriage's scale; gives the monotonic time of standstill (s). At top speed, or as
        slowly as asked for.

        Raises Stopped, DeviceError (`limit` if the motor's travel ends before).
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
        return await self.motor_to(motor, stops, speed_um_s)

    async def motor_to(self, motor_um: float, stops: int, speed_um_s: float | None = None) -> float:
        """The same for a position in the motor's own count."""
        self._stops.check(stops)
        self._place.forget()
        speed_um_s = min(speed_um_s or self._figures.speed_um_s, self._figures.speed_um_s)
        least_s, self._left_at_um = self._least_s(motor_um, speed_um_s), None
        try:
            with spent("moves", least_s):
                stood = await self._axis.move_to(motor_um, speed_um_s)
        except LinkError as lost:  # it is not known what the motor received
            self._trust.lose("link", lost.text.rstrip("."))
            raise
        self._stops.check(stops)
        self._left_at_um = motor_um
        return stood

    def _least_s(self, motor_um: float, speed_um_s: float) -> float | None:
        """The time of the motion itself, by its profile; None where it is not known from where it begins."""
        if self._left_at_um is None:
            return None
        return rest_to_rest_s(motor_um - self._left_at_um, speed_um_s, self._axis.spec.acceleration)

    async def rest(self, stood: float, stops: int, settled: Callable[[], None] = lambda: None) -> Reading:
        """The settled position, at standstill since `stood`; motor and encoder are compared.

        `settled` is called just before the position is read. Raises Stopped, DeviceError.
        """
        still = STILL_AGAIN - 1  # of what has moved once, more than one look is needed
        for _ in range(STILL_TRIES):
            motor_um, reading, apart_um = await self._place.settled(stood, self._figures.settle_s, settled)
            self._stops.check(stops)
            still = still + 1 if apart_um <= self._figures.tolerance_um else 0
            if still >= STILL_AGAIN:
                self._following_error.check_at_rest(motor_um, reading.value)
                return reading
            stood = reading.t_mono
        self._trust.lose("stall", "the carriage does not come to rest, though its controller says that it stands")
        raise DeviceError(
            f"The carriage does not come to rest: it went through {apart_um:.1f} µm while it settled, for the "
            f"{STILL_TRIES}th time, though its controller says that it stands.",
            advice="Look for a loose coupling, a sprung mount or something that swings; raise motion.settle_ms if it "
            "is only slow.",
            device="carriage",
        )
