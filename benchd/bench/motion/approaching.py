"""The carriage brought to a place: approached from one side, read where it has settled, corrected by its scale."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from benchd.bench.motion.drive import Drive
from benchd.bench.motion.figures import NEEDS_NO_RUN_UP, MotionFigures
from benchd.bench.motion.trust import Trust
from benchd.devices import Approach, Axis, DeviceError, Encoder, Reading

ATTEMPTS = 6


class Approaching:
    """`here` gives where the carriage stands (um)."""

    def __init__(
        self,
        axis: Axis,
        scale: Encoder | None,
        figures: MotionFigures,
        drive: Drive,
        trust: Trust,
        here: Callable[[], Awaitable[float]],
    ) -> None:
        self._axis, self._scale, self._figures = axis, scale, figures
        self._drive, self._trust, self._here = drive, trust, here
        self.from_other_side: bool | None = False
        """The last place was approached from the other side: the backlash is not taken up as it always is. None where
        nobody knows: it was moved by hand, passed through, or stopped on its way."""

    def is_other(self, approach: Approach | None) -> bool:
        """Whether this is not the side that the axis's places are always approached from."""
        return approach is not None and approach != self._axis.spec.approach

    async def to(
        self,
        target_um: float,
        exact: bool,
        stops: int,
        settled: Callable[[], None],
        approach: Approach | None = None,
    ) -> Reading:
        """Bring it there, as `Positioner.go` says, with `stops` as the number of stops. Raises Stopped, DeviceError."""
        here = await self._here()
        up = 1.0 if (approach or self._axis.spec.approach) == "from_below" else -1.0
        run = self._figures.approach_um
        turns = self.from_other_side is not self.is_other(approach)
        self.from_other_side = None  # until it has arrived: what is broken off leaves the backlash anywhere
        if (target_um - here) * up < run * (1.0 if turns else NEEDS_NO_RUN_UP):
            await self._drive.to(target_um - up * run, stops)
        aim = target_um
        for attempt in range(ATTEMPTS):
            stood = await self._drive.to(aim, stops)
            reading = await self._drive.rest(stood, stops, settled)
            error = target_um - reading.value
            if not exact or abs(error) <= self._figures.tolerance_um or self._scale is None:
                self.from_other_side = self.is_other(approach)
                return reading
            if error * up < 0.0:  # overshot: back off and approach again from the same side
                await self._drive.to(reading.value - up * run, stops)
            aim = target_um + (error * 0.5 if attempt > ATTEMPTS // 2 else 0.0)
        self._trust.lose("stall", "the carriage does not come within its tolerance")
        raise DeviceError(
            f"The carriage ended {error:+.1f} µm from {target_um:.1f} µm after {ATTEMPTS} approaches.",
            advice="Check couplings and the encoder's head; raise motion.tolerance_um if the stage cannot do better.",
            device="carriage",
        )
