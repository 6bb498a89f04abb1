"""Passes at constant speed: from below the span to above it and back, positions polled and captures streamed beside.

Passes that a stop or a pause fell into are thrown away, and taken again from their beginning.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.gate import Gate
from benchd.bench.jobs import Stopped
from benchd.bench.motion.positioner import Positioner
from benchd.bench.sweep.captures import Captures
from benchd.bench.sweep.stream import Stream, Streamed
from benchd.bench.time_table import spent
from benchd.devices import Clock, Reading
from benchd.errors import BenchdError

SLOWEST_POLLS_S = 0.02
"""Positions come at least so often (half of all intervals): 50 a second."""
LONGEST_GAP_S = 0.1
"""A pass in which no position came for so long is taken again: what the carriage did meanwhile is not known."""
LEAST_SHARE = 0.6
"""Of the captures that belong into a span: with fewer it is taken again."""
TRIES = 3
MOST_LATENCY_S = 0.25
"""Captures stamped so late or early are still looked for: beyond, what is stamped is no exposure."""
LATE_S = 3.0
"""After so long without one no more captures are awaited."""


@dataclass(frozen=True, slots=True)
class Leg:
    """One way of a pass: times (monotonic) and positions (um) polled, and the captures stamped in it or close by."""

    t_s: Sequence[float]
    z_um: Sequence[float]
    taken: Sequence[Streamed]

    @property
    def middle_s(self) -> float:
        return 0.5 * (self.t_s[0] + self.t_s[-1])


@dataclass(frozen=True, slots=True)
class Course:
    """Where passes go: a span of carriage positions (um), the speed in it, and what is added at both ends."""

    low_um: float
    high_um: float
    speed_um_s: float
    run_up_um: float

    @property
    def ends_um(self) -> tuple[float, float]:
        return self.low_um - self.run_up_um, self.high_um + self.run_up_um

    def holds(self, z_um: float) -> bool:
        """Whether a position is in the span itself."""
        return self.low_um <= z_um <= self.high_um


class Passes:
    """Takes passes there and back along a course."""

    def __init__(self, carriage: Positioner, keeper: CurrentSetup, captures: Captures, clock: Clock) -> None:
        self._carriage = carriage
        self._keeper = keeper
        self._captures = captures
        self._clock = clock

    def check(self, course: Course) -> None:
        """Raise Refused (limit, clearance) for a course whose run-ups do not fit: before anything moves."""
        places = self._keeper.chain.places
        for end_um in course.ends_um:
            self._carriage.check_limits(end_um)
            self._keeper.check_depth(places.depth_um(end_um))
        self._keeper.check_depth(places.depth_um(course.ends_um[0] - self._carriage.overshoot_um))

    async def there_and_back(
        self, course: Course, pairs: int, stream: Stream, expected: float, gate: Gate, progress: Callable[[int], None]
    ) -> list[Leg]:
        """So many passes there and back, begun in the direction of all approaches; `expected` captures belong into each
        way's span, `progress` is told the ways that are behind.

        Raises as `Captures.go`, and BenchdError (device_fault) where captures or positions are lost time and again.
        """
        legs: list[Leg] = []
        why = ""
        for _ in range(TRIES):
            taken = await self._once(course, pairs - len(legs) // 2, stream, gate, progress)
            for both in zip(taken[::2], taken[1::2], strict=True):
                unfit = _unfit(both, course, expected)
                why = unfit or why
                legs += () if unfit else both
            if len(legs) == 2 * pairs:
                return legs
        advice = (
            "Look at the load of this machine and of the camera, and give the scale a line of its own; a stepped sweep "
            "needs no such pace."
        )
        raise BenchdError("device_fault", f"A pass could not be taken, {TRIES} times over: {why}.", advice=advice)

    async def _once(
        self, course: Course, pairs: int, stream: Stream, gate: Gate, progress: Callable[[int], None]
    ) -> list[Leg]:
        low, high = course.ends_um
        start, far = (low, high) if self._carriage.overshoot_um else (high, low)
        while True:
            await self._captures.go(self._keeper.chain.places.offset_um(start) or 0.0, gate)
            self.check(course)  # the set-up may have been changed while a gate was closed
            stops = self._carriage.stops
            polls: list[list[Reading]] = []

            def polled(number: int, reading: Reading) -> None:
                if number == len(polls):  # noqa: B023 awaited here
                    polls.append([])  # noqa: B023
                    progress(number)
                polls[number].append(reading)  # noqa: B023

            stream.begin(self._clock.monotonic())
            try:
                await self._carriage.pass_through((far, start) * pairs, course.speed_um_s, polled)
            except Stopped:
                if not gate.closed:
                    raise
                continue
            with spent("wire"):
                taken = await stream.end(polls[-1][-1].t_mono, LATE_S)
            if self._carriage.stops == stops and not gate.closed:
                return [_leg(one, taken) for one in polls]


def _leg(polls: Sequence[Reading], taken: Sequence[Streamed]) -> Leg:
    """The positions in the order of their times, and the captures that may have been taken between first and last."""
    t_s: list[float] = []
    z_um: list[float] = []
    for reading in polls:
        if not t_s or reading.t_mono > t_s[-1]:
            t_s.append(reading.t_mono)
            z_um.append(reading.value)
    early, late = t_s[0] - MOST_LATENCY_S, t_s[-1] + MOST_LATENCY_S
    return Leg(t_s, z_um, [one for one in taken if early <= one.capture.t_mono <= late])


def _unfit(legs: Sequence[Leg], course: Course, expected: float) -> str:
    """Why this is no pass, as a clause; empty for one."""
    for leg in legs:
        apart = [after - before for before, after in pairwise(leg.t_s)]
        if len(apart) < 2 or median(apart) > SLOWEST_POLLS_S:
            told = f"{1.0 / median(apart):.0f} times a second" if apart else "once"
            return f"the carriage's position was read {told}, and {1.0 / SLOWEST_POLLS_S:.0f} times are needed"
        if max(apart) > LONGEST_GAP_S:
            return f"no position came for {max(apart):.2f} s"
        inside = [t for t, z in zip(leg.t_s, leg.z_um, strict=True) if course.holds(z)]
        if not inside:
            return "no position was read in its span"
        came = sum(inside[0] <= one.capture.t_mono <= inside[-1] for one in leg.taken)
        if came < LEAST_SHARE * expected:
            return f"{came} of about {expected:.0f} captures came"
    return ""
