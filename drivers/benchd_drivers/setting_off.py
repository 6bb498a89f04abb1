"""What is looked at before an axis is set off, whatever drives it: that it rests, is homed, and goes where it may."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal, Protocol

from benchd.devices import MotionFailed
from benchd_drivers.axis_figures import AxisFigures
from benchd_drivers.trust import Trust

Activity = Literal["home", "move", "jog"]


class Doing(Protocol):
    """What the axis is told to do, and whether its position can be believed."""

    @property
    def trust(self) -> Trust: ...
    @property
    def activity(self) -> Activity | None: ...
    def begins(self, activity: Activity) -> None: ...
    def rests(self) -> None: ...


class Stop(Protocol):
    """Whether a stop is on its way."""

    @property
    def under_way(self) -> bool: ...


class Failed(Protocol):
    """Makes the driver's MotionFailed of a sentence without its full stop."""

    def __call__(self, text: str, *, code: str = ..., advice: str = ...) -> MotionFailed: ...


class SettingOff:
    """Of one axis. All raise ValueError for what is no speed or distance, MotionFailed for what cannot be now."""

    def __init__(self, figures: AxisFigures, doing: Doing, stop: Stop, failed: Failed) -> None:
        self._figures, self._doing, self._stop, self._failed = figures, doing, stop, failed

    @contextmanager
    def busy(self, activity: Activity) -> Iterator[None]:
        """At it until left."""
        if self._doing.activity is not None or self._stop.under_way:
            raise self._failed(f"the axis is busy ({self._doing.activity or 'stopping'})", code="busy")
        self._doing.begins(activity)
        try:
            yield
        finally:
            self._doing.rests()

    def check_move(self, target: float, speed: float) -> None:
        """Whether it may go there, so fast."""
        if not (math.isfinite(speed) and speed > 0):
            raise ValueError(f"speed must be positive and finite, not {speed}")
        (low, high), symbol = self._figures.travel, self._figures.SYMBOL
        if not low <= target <= high:  # NaN fails here too
            raise self._failed(
                f"{target:g} {symbol} is outside the travel of {low:g} to {high:g} {symbol}", code="limit"
            )
        if not self._doing.trust.homed:
            raise self._failed(
                f"the axis is not homed: {self._doing.trust.why}", code="not_homed", advice="Home it first."
            )

    def check_jog(self, speed: float, distance: float) -> None:
        """Whether a segment may be asked for; how far it may go is found out on the way."""
        if not (math.isfinite(distance) and distance):
            raise ValueError("a jog needs a finite distance other than 0")
        self.check_move(self._figures.travel[0], speed)

    def free_to_jog(self) -> None:
        """One segment may follow another, and nothing else."""
        if self._doing.activity in ("home", "move") or self._stop.under_way:
            raise self._failed("the axis is busy", code="busy")
