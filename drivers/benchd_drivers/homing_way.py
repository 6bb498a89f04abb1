"""How far homing has gone, by what the controller tells of its place, whatever becomes its zero."""

from __future__ import annotations


class Way:
    """How far a homing cycle has gone. The jump of the number when the zero is set is not motion."""

    def __init__(self, top_speed_um_s: float) -> None:
        self._top = top_speed_um_s
        self._last: tuple[float, float] | None = None
        self._low = self._high = 0.0

    def goes(self, at_um: float | None, t_mono: float) -> float:
        """Take the next position in; the extent of the way so far (um)."""
        if at_um is not None:
            believable_um = 500 + 8 * self._top * (t_mono - self._last[1]) if self._last else -1.0
            if self._last is None or abs(at_um - self._last[0]) > believable_um:
                self._low = self._high = at_um
            self._low, self._high = min(self._low, at_um), max(self._high, at_um)
            self._last = (at_um, t_mono)
        return self._high - self._low
