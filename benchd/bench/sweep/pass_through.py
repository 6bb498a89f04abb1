"""A sweep in motion from its plan to places: how fast, where the passes go, and what their readings tell of latency."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import TypeVar

from benchd.bench.analysis import Analysis
from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.gate import Gate
from benchd.bench.motion.positioner import Positioner
from benchd.bench.sweep.captures import Captures
from benchd.bench.sweep.continuous import (
    LONGEST_PASS_S,
    TOO_SLOW_ADVICE,
    PassPlan,
    fit_legs,
    offset_speed_um_s,
    readings_of,
    steady,
    timing_terms,
    told,
)
from benchd.bench.sweep.passes import Course, Leg, Passes
from benchd.bench.sweep.stream import Stream, Streamed
from benchd.bench.sweep.sweep_data import SweepData
from benchd.bench.time_table import spent
from benchd.detectors.detector import Detector
from benchd.detectors.values import CurveSeen, Measured
from benchd.devices import Clock
from benchd.errors import Refused
from benchd.metrology.both_ways import BothWays

STREAM_BEGINS_S = 10.0
"""By then a stream has begun, and shown how often captures come."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Placed:
    """A capture of a pass with the mean place of its exposure (um); NaN where it could not be measured."""

    streamed: Streamed
    carriage_um: float
    repeat: int


class PassThrough:
    """Plans, takes and matches the passes of one sweep."""

    def __init__(
        self,
        carriage: Positioner,
        detector: Detector,
        analysis: Analysis,
        keeper: CurrentSetup,
        captures: Captures,
        clock: Clock,
    ) -> None:
        self._carriage = carriage
        self._detector = detector
        self._analysis = analysis
        self._keeper = keeper
        self._passes = Passes(carriage, keeper, captures, clock)

    async def plan(self, stream: Stream, middle: float, span: float, half_width: float, step: float | None) -> PassPlan:
        """Where it goes and how fast, by how the captures of the stream come; nothing moves yet.

        Raises Refused: bad_request (step, or so slow that it is no use), limit, clearance.
        """
        with spent("wire"):
            pace = await stream.pace(STREAM_BEGINS_S)
        places = self._keeper.chain.places
        ends = [places.carriage_um(middle + side * span) for side in (-0.5, 0.5)]
        low, high = sorted(end for end in ends if end is not None)
        slope = span / (high - low) * (1.0 if ends[0] == low else -1.0)
        speed = min(offset_speed_um_s(pace, half_width, step) / abs(slope), self._carriage.top_speed_um_s)
        if (high - low) / speed > LONGEST_PASS_S:
            text = f"A pass would take {(high - low) / speed:.0f} s, for readings of {1000.0 * pace.exposed_s:.3g} ms"
            raise Refused("bad_request", f"{text}, {pace.rate_hz:.3g} a second.", advice=TOO_SLOW_ADVICE)
        course = Course(low, high, speed, self._carriage.run_up_um(speed))
        self._passes.check(course)
        return PassPlan(course, slope, span, pace)

    async def take(
        self, plan: PassPlan, pairs: int, stream: Stream, gate: Gate, progress: Callable[[int, int], None]
    ) -> list[Leg]:
        """So many passes there and back."""
        ways = 2 * pairs
        legs = await self._passes.there_and_back(
            plan.course, pairs, stream, plan.expected, gate, lambda done: progress(done, ways)
        )
        progress(ways, ways)
        return legs

    async def match(self, legs: Sequence[Leg], plan: PassPlan, data: SweepData, run: str) -> list[Placed]:
        """Find latency and places from all passes; `data` gets the lines and the note on it.

        Raises Refused('not_found') where the readings show no peak.
        """
        seen = CurveSeen(
            data.f_number,
            data.lp_mm,
            self._keeper.document.wavelength_nm,
            self._keeper.arrangement.curve_width / abs(plan.slope),
            position_u_um=0.0,
            latencies=1,
            way_um=plan.way_um / abs(plan.slope),
            least_way_um=plan.least_way_um / abs(plan.slope),
        )
        _, found, _ = await self._fitted(legs, plan, data.merit, seen, 0.0)
        used, found, blurred_um = await self._fitted(legs, plan, data.merit, seen, found.latency_s)
        data.timing = tuple(timing_terms(found, blurred_um, plan, legs, run))
        data.latencies, data.way_um, data.least_way_um = seen.latencies, plan.way_um, plan.least_way_um
        data.flags.append(told(found, plan))
        placed = []
        for number, (leg, numbers, places_um) in enumerate(zip(legs, used, found.places_um, strict=True)):
            of_measured = iter(places_um)
            for i in numbers:
                one = leg.taken[i]
                measured = isinstance(one.measured, Measured)
                place = float(next(of_measured)) if measured else math.nan
                if not measured or math.isfinite(place):
                    placed.append(Placed(one, place, number // 2))
        return placed

    async def _fitted(
        self, legs: Sequence[Leg], plan: PassPlan, merit: str, seen: CurveSeen, latency_s: float
    ) -> tuple[list[list[int]], BothWays, float]:
        """The captures that belong to each leg, were they stamped so late, the fit of all, and what blur may add (um).

        Which belong to it depends on how late they are stamped, of which a first fit tells enough."""
        used = [steady(leg, plan, latency_s) for leg in legs]
        sent = [
            (leg.t_s, leg.z_um, readings_of(leg, numbers, plan.pace.exposed_s))
            for leg, numbers in zip(legs, used, strict=True)
        ]
        with spent("analysis"):
            found = await self._analysis.run(fit_legs, sent, merit, seen, latency_s)
        if isinstance(found, str):
            raise Refused("not_found", found, advice="More light, or more passes (`repeats`); or a stepped sweep.")
        return used, *found


def batched(items: Sequence[T], most: int) -> Iterator[list[T]]:
    """The items in lists of so many, in order."""
    rest = iter(items)
    while some := list(islice(rest, most)):
        yield some
