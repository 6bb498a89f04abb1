"""The carriage position: read from the encoder if there is one, else from the motor; remembered at rest."""

from __future__ import annotations

from collections.abc import Callable

from benchd.bench.time_table import spent
from benchd.devices import Axis, Clock, Encoder, Implausible, Reading

FRESH_S = 0.5
"""A position read so recently at rest need not be read again just to decide from which side to approach."""

RECENT_S = 0.015
"""In motion somebody else may read it in quick succession, as passes at constant speed do: the line is left to them."""

LOOKS = (0.5, 0.75)
"""Parts of the time of settling at which the encoder is looked at: of what swings, two readings may be the same."""


class CarriagePosition:
    """Reads the carriage position (um); `resting` says whether nothing moves. Call `forget` before a motion."""

    def __init__(self, axis: Axis, scale: Encoder | None, clock: Clock, resting: Callable[[], bool]) -> None:
        self._axis = axis
        self._scale = scale
        self._clock = clock
        self._resting = resting
        self.last: Reading | None = None
        self._watched: Reading | None = None
        self._at_rest: tuple[float, float] | None = None  # position (um) and time of reading (s); None after a motion

    @property
    def source(self) -> str:
        """What measures the position: `encoder` or `steps`."""
        return "encoder" if self._scale else "steps"

    @property
    def range_um(self) -> tuple[float, float] | None:
        """The lowest and highest place that can be told (um); None for one that tells all of the travel."""
        return self._scale.spec.range_um if self._scale else None

    async def read(self) -> Reading:
        """The present position. Raises DeviceError (Implausible for a reading of bad quality)."""
        reading = await (self._scale.read() if self._scale else self._axis.read())
        if reading.quality == "bad":
            raise Implausible("The position reading cannot be true.", advice="Check the scale's head and cable.")
        self.last = reading
        if self._resting():
            self._keep(reading)
        return reading

    async def watched(self) -> Reading:
        """For who watches it in motion: what somebody else has read a few milliseconds ago, else a new reading; raises
        as `read`."""
        last = self.last
        if last is None or last is self._watched or self._clock.monotonic() - last.t_mono >= RECENT_S:
            last = await self.read()
        self._watched = last
        return last

    def _keep(self, reading: Reading) -> None:
        self._at_rest = reading.value, self._clock.monotonic()

    async def settled(self, stood: float, settle_s: float, settled: Callable[[], None]) -> tuple[float, Reading, float]:
        """Wait until settled, at standstill since `stood`; gives the motor's position (um), the reading, and how far
        the encoder's readings in the second half of the wait lie apart (um), 0 without one or without a wait.

        Motor and encoder are read while settling, which costs no extra time. `settled` is called just before the
        position is read.
        """
        seen_um: list[float] = []
        with spent("settling", settle_s):
            motor_um = (await self._axis.read()).value
            if self._scale is not None and settle_s > 0.0:
                for part in LOOKS:
                    await self._clock.until(stood + part * settle_s)
                    seen_um.append((await self.read()).value)
            await self._clock.until(stood + settle_s)
        settled()
        reading = await self.read()
        self._keep(reading)
        seen_um.append(reading.value)
        return motor_um, reading, max(seen_um) - min(seen_um)

    def fresh(self) -> float | None:
        """A position read recently at rest (um) and valid because nothing has moved since; else None."""
        if self._at_rest is not None and self._clock.monotonic() - self._at_rest[1] < FRESH_S:
            return self._at_rest[0]
        return None

    def forget(self) -> None:
        """Invalidate the remembered position: a motion is about to begin."""
        self._at_rest = None
