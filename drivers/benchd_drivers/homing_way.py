"""How far homing has gone, by what the controller tells of its place, whatever becomes its zero."""

from __future__ import annotations


class Way:
    """How far a homing cycle has gone, in the axis's unit. The jump of the number when the zero is set is not motion;
    what is less than `jump` is."""

    def __init__(self, top_speed: float, jump: float) -> None:
        self._top = top_speed
        self._jump = jump
        self._last: tuple[float, float] | None = None
        self._low = self._high = 0.0

    def goes(self, at: float | None, t_mono: float) -> float:
        """Take the next position in; the extent of the way so far."""
        if at is not None:
            believable = self._jump + 8 * self._top * (t_mono - self._last[1]) if self._last else -1.0
            if self._last is None or abs(at - self._last[0]) > believable:
                self._low = self._high = at
            self._low, self._high = min(self._low, at), max(self._high, at)
            self._last = (at, t_mono)
        return self._high - self._low
