"""Whether a picture came when it was taken, or out of a queue: by the pace at which pictures come.

Drivers, sockets and networks keep pictures back and hand them out later, in a burst. A picture that comes much sooner
after the last one than is usual has been waiting; one that comes much later has been held up, and so has the burst
behind it. What is usual is the interval of half of the *time*, as a burst is many pictures and no time.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

SOONEST, LATEST = 0.4, 2.5
"""Of the usual interval: what is sooner was waiting, what is later was held up."""
WINDOW_S, MOST_S = 2.0, 1.0
"""How much time tells what is usual, and how much of it a single interval counts for; one that is late counts for no
more than the latest in step."""
SHORT_S = 0.05
"""What is as short as this may be a burst, and hold nothing back."""
FEWEST = 3
BUSY = 0.9
"""Share of its time that a reader may compute and still be waiting for pictures, instead of they for it."""


class _Interval(NamedTuple):
    long_s: float
    weight_s: float
    busy_s: float


class Pace:
    """The intervals of one source since it was opened or set anew."""

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._intervals: deque[_Interval] = deque()

    def came(self, at_s: float, busy_s: float = 0.0) -> bool:
        """Note a picture that came at `at_s`, for which the reader had computed `busy_s`; whether it is in step."""
        last_s, self._last_s = self._last_s, at_s
        if last_s is None:
            return False
        interval = at_s - last_s
        usual = self.usual_s
        weight = min(interval, MOST_S if usual is None else max(LATEST * usual, SHORT_S))
        self._intervals.append(_Interval(interval, weight, busy_s))
        while len(self._intervals) > FEWEST and self._weight() - self._intervals[0].weight_s >= WINDOW_S:
            self._intervals.popleft()
        return usual is not None and SOONEST * usual <= interval <= LATEST * usual and not self.behind

    @property
    def usual_s(self) -> float | None:
        """The interval at which half of the time has gone by in shorter ones; None while too few are known."""
        if len(self._intervals) < FEWEST:
            return None
        gone_s, half_s = 0.0, 0.5 * self._weight()
        for one in sorted(self._intervals):
            gone_s += one.weight_s
            if gone_s >= half_s:
                return one.long_s
        return None

    @property
    def behind(self) -> bool:
        """Whether the reader does nothing but compute: pictures then come faster than it can take them, and queue."""
        busy_s, all_s = sum(one.busy_s for one in self._intervals), sum(one.long_s for one in self._intervals)
        return len(self._intervals) >= FEWEST and busy_s > BUSY * all_s

    def _weight(self) -> float:
        return sum(one.weight_s for one in self._intervals)
