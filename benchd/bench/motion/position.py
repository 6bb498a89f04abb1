"""Where the carriage is: asked of the encoder where there is one, else of the motor; remembered while it rests."""

from __future__ import annotations

from collections.abc import Callable

from benchd.devices import Axis, Clock, Encoder, Implausible, Reading

FRESH_S = 0.5
"""A place read so recently, at rest, need not be asked for again to know on which side of a target it lies."""


class CarriagePosition:
    """Reads the carriage's place (um); `resting` says whether nothing moves it. `forget` before anything does."""

    def __init__(self, axis: Axis, scale: Encoder | None, clock: Clock, resting: Callable[[], bool]) -> None:
        self._axis = axis
        self._scale = scale
        self._clock = clock
        self._resting = resting
        self.last_um: float | None = None
        """Where it was when it was last read."""
        self._at_rest: tuple[float, float] | None = None  # place (um) and when it was read (s), None since it moved

    @property
    def source(self) -> str:
        """What decides: `encoder` or `steps`."""
        return "encoder" if self._scale else "steps"

    async def read(self) -> Reading:
        """The place now. Raises DeviceError (Implausible for a reading that cannot be true)."""
        reading = await (self._scale.read() if self._scale else self._axis.read())
        if reading.quality == "bad":
            raise Implausible("The position reading cannot be true.", advice="Check the scale's head and cable.")
        self.last_um = reading.value
        if self._resting():
            self._keep(reading)
        return reading

    def _keep(self, reading: Reading) -> None:
        self._at_rest = reading.value, self._clock.monotonic()

    async def settled(self, stood: float, settle_s: float, settled: Callable[[], None]) -> tuple[float, Reading]:
        """Wait until it has settled, at rest since `stood`; gives the motor's place (um) and the reading.

        The motor is asked meanwhile, so that the asking takes no time of its own. `settled` is called as the place
        begins to be read.
        """
        motor_um = (await self._axis.read()).value
        await self._clock.until(stood + settle_s)
        settled()
        reading = await self.read()
        self._keep(reading)
        return motor_um, reading

    def fresh(self) -> float | None:
        """What was read a moment ago at rest (um), as nothing moved it since; None where it has to be asked for."""
        if self._at_rest is not None and self._clock.monotonic() - self._at_rest[1] < FRESH_S:
            return self._at_rest[0]
        return None

    def forget(self) -> None:
        """It is about to move."""
        self._at_rest = None
