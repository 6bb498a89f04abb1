"""One motion of the motor in the carriage's own scale, and standing still after it."""

from __future__ import annotations

from collections.abc import Callable

from benchd.bench.agreement import Agreement
from benchd.bench.motion_figures import MotionFigures
from benchd.bench.place import Place
from benchd.bench.stops import Stops
from benchd.devices import Axis, Reading


class Drive:
    """Sends the motor where the encoder's place is expected; a stop that came in between ends it as Stopped."""

    def __init__(self, axis: Axis, figures: MotionFigures, place: Place, stops: Stops, agreement: Agreement) -> None:
        self._axis = axis
        self._figures = figures
        self._place = place
        self._stops = stops
        self._agreement = agreement

    @property
    def limits_um(self) -> tuple[float, float]:
        """Soft limits in the carriage coordinate: the axis's own, narrowed by how far its zero is from the scale's."""
        low, high = self._axis.spec.low, self._axis.spec.high
        return max(low, low - self._agreement.shift_um), min(high, high - self._agreement.shift_um)

    async def to(self, target_um: float, stops: int) -> float:
        """Drive the motor; gives the monotonic time since when it stands. Raises Stopped, DeviceError."""
        self._stops.check(stops)
        self._place.forget()
        spec = self._axis.spec
        motor = min(max(target_um + self._agreement.shift_um, spec.low), spec.high)
        stood = await self._axis.move_to(motor, self._figures.speed_um_s)
        self._stops.check(stops)
        return stood

    async def rest(self, stood: float, stops: int, settled: Callable[[], None] = lambda: None) -> Reading:
        """The place once settled, at rest since `stood`, held against the motor's.

        `settled` is called as it begins to be read. Raises Stopped, DeviceError.
        """
        motor_um, reading = await self._place.settled(stood, self._figures.settle_s, settled)
        self._stops.check(stops)
        self._agreement.at_rest(motor_um, reading.value)
        return reading
