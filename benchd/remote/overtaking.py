"""Which commands a stop has overtaken.

Stops come on a connection of their own, commands on another, and either may be read first: a move that was sent before
a stop can lie unread while the stop is carried out. Brokers keep the order of what goes to one connection, so the copy
of the stop on the connection of commands tells: what is read there before that copy was sent before the stop.
"""

from __future__ import annotations

from collections import deque

from benchd.devices.clock import Clock

LOST_S = 1.0
"""A copy that has not come after so long is lost, and what is read now was not waiting then."""


class Overtaking:
    """Pairs the stops of both connections. `heard` on the stops' own, `passed` on that of commands."""

    def __init__(self, clock: Clock, *, lost_s: float = LOST_S) -> None:
        self._clock = clock
        self._lost_s = lost_s
        self._heard: deque[float] = deque()
        self._passed: deque[float] = deque()

    def heard(self) -> None:
        """A stop came on its own connection."""
        self._pair(self._heard, self._passed)

    def passed(self) -> None:
        """Its copy came by among the commands."""
        self._pair(self._passed, self._heard)

    def begin_anew(self) -> None:
        """A connection was made anew: what was unpaired belongs to the last one."""
        self._heard.clear()
        self._passed.clear()

    @property
    def came_s(self) -> float:
        """When a command that is read now came (s, monotonic); before all time where a stop has overtaken it."""
        self._forget(self._heard)
        return float("-inf") if self._heard else self._clock.monotonic()

    def _pair(self, own: deque[float], other: deque[float]) -> None:
        self._forget(own)
        self._forget(other)
        if other:
            other.popleft()
        else:
            own.append(self._clock.monotonic())

    def _forget(self, times: deque[float]) -> None:
        while times and self._clock.monotonic() - times[0] > self._lost_s:
            times.popleft()
