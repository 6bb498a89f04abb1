"""A sweep predicted: the positions of its coarse scan and readings, their duration, whether it may go there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from itertools import pairwise

from benchd.bench.motion.figures import rest_to_rest_s, run_up_um
from benchd.bench.requests import check_points
from benchd.bench.sweep.continuous import offset_speed_um_s
from benchd.bench.sweep.stream import Pace
from benchd.detectors.detector import DEFAULT_LP_MM
from benchd.verbs.entry import Entry, most_certain
from benchd.verbs.foreseen import Why, joined_by_and
from benchd.verbs.reach import reach, would_be_refused
from benchd.verbs.sweep import SweepArgs
from benchd.verbs.sweep_places import SweepPlaces, sweep_places
from benchd.verbs.view import BenchView, SetupPlaces

ASSUMED_HALF_WIDTH_UM = 50.0
"""Half-width of the curve if the f-number is not known: f/2.8 at 40 lp/mm (0.705 N/nu)."""

ASSUMED_PACE = Pace(rate_hz=60.0, exposed_s=1.0 / 60.0)
"""Of a detector's stream, which shows its own as a sweep begins: common practice, no source."""

SAMPLED_DISTANCES = 200
"""Distances between stations that are enough to average their travel time."""


def sweep_places_for(
    where: SetupPlaces | None,
    args: SweepArgs | None = None,
    lp_mm: float = DEFAULT_LP_MM,
    *,
    tells_blur: bool = True,
) -> SweepPlaces:
    """The positions of a sweep at that frequency; without `args`, of one that leaves everything to the bench."""
    half_width = (where.half_width_um if where else None) or ASSUMED_HALF_WIDTH_UM
    span, step = (getattr(args, name, None) for name in ("span_um", "step_um"))
    repeats = getattr(args, "repeats", 1)
    return sweep_places(half_width * DEFAULT_LP_MM / lp_mm, span, step, tells_blur=tells_blur, repeats=repeats)


def shifted_um(where: SetupPlaces | None, place_um: float, offset_um: float) -> float:
    """Carriage position whose offset is larger by `offset_um` than at `place_um`."""
    return place_um + offset_um if where is None else where.shifted_um(place_um, offset_um)


class PredictedSweep:
    """One sweep of a set-up with these positions. Raises Refused (bad_request, unknown_name) as the bench would.

    `again`: another pass of the sweep before it, which is taken without a search.
    """

    def __init__(self, bench: BenchView, where: SetupPlaces | None, args: SweepArgs, *, again: bool = False) -> None:
        self._bench = bench
        self._again = again
        self._expected = args.about == "expected"
        self._where = where
        chosen = bench.detector_for(args.merit, args.lp_mm)
        self._point_s = chosen.point_s
        self._looks_wide = not chosen.detector.tells_blur
        self._places = sweep_places_for(where, args, chosen.lp_mm, tells_blur=chosen.detector.tells_blur)
        assert isinstance(args.repeats, int)
        self._points = args.repeats * self._places.points
        check_points(self._points)
        every = chosen.detector.returns_every
        self._returns = 1 + math.ceil(self._points / every) if every else 0
        self._passes = args.repeats if args.mode == "continuous" else 0
        what = (
            f"{self._points} points" if not self._passes else f"{self._passes} times there and back at constant speed"
        )
        self.text = f"{what} over about {self._places.span_um:.0f} µm, merit {args.merit}"
        half_width = (where.half_width_um if where else None) or ASSUMED_HALF_WIDTH_UM
        offset_speed = offset_speed_um_s(ASSUMED_PACE, half_width * DEFAULT_LP_MM / chosen.lp_mm, None)
        self._speed_um_s = min(abs(self._travel_um(offset_speed)), bench.top_speed_um_s)

    def entry_at_open_place(self, why: Why) -> Entry:
        """The entry if where it begins, or how far it goes, depends on `why`."""
        taking, more = self._seconds(self._places.wide)
        return Entry("sweep", f"{self.text}; where depends on {joined_by_and(why)}", taking, more)

    def entry_about(self, here_um: float, from_um: float | None) -> Entry:
        """The entry for a sweep about `here_um`; the carriage comes from `from_um`, None if not known."""
        bench, places = self._bench, self._places
        search, span = places.look, places.span_um
        beside = partial(shifted_um, self._where, here_um)
        look = (beside(search[0]), beside(search[-1]))
        over = (beside(-span / 2) - self._run_up_um, beside(span / 2) + self._run_up_um)
        low, high = reach(bench, self._where, beside(-places.farthest_um), beside(places.farthest_um))
        taking, more = self._seconds([offset for offset in places.wide if low <= beside(offset) <= high])
        seconds = bench.approach_s(here_um if from_um is None else from_um, here_um)
        seconds += (0.0 if self._again else bench.approach_s(here_um, look[0])) + taking
        text = f"{self.text}, after a look with {len(search)} from {look[0]:.0f} to {look[1]:.0f} µm"
        if self._again:
            text = f"{self.text}, another pass"
        elif self._expected:
            text += ", or about where focus of this lens or its model was last"
        text += f"; it may look as far as {low:.0f} to {high:.0f} µm if focus is not there"
        problem = most_certain(*(would_be_refused(bench, self._where, place) for place in (*over, *look)))
        return Entry("sweep", text, seconds, more, (), from_um, here_um, look, over, (low, high), problem=problem)

    def _seconds(self, far: Sequence[float]) -> tuple[float, float]:
        """Durations (s) from its first position on: of coarse scan and readings, and of all further scans (`far`)."""
        looking = self._looking_s(self._places.look)
        taking = self._taking_s() + (0.0 if self._again else looking)
        more = self._places.more_looks * looking + self._places.pilots * self._looking_s(self._places.pilot)
        wide = self._looking_s(far)
        return (taking + wide, more) if self._looks_wide else (taking, more + wide)

    @property
    def _run_up_um(self) -> float:
        """What passes at constant speed need beyond the span at either end; nothing where it stands for each point."""
        return (
            run_up_um(self._speed_um_s, self._bench.acceleration_um_s2, self._bench.run_up_um) if self._passes else 0.0
        )

    def _taking_s(self) -> float:
        """Duration of all readings, once the carriage is at the first."""
        if not self._passes:
            return (self._points + self._returns) * (self.mean_station_move_s() + self._point_s)
        way_um = abs(self._travel_um(self._places.span_um)) + 2.0 * self._run_up_um
        one_s = rest_to_rest_s(way_um, self._speed_um_s, self._bench.acceleration_um_s2)
        return self._passes * (2.0 * one_s + self._bench.approach_s(0.0, -1.0) + self._bench.settle_s)

    def _looking_s(self, offsets: Sequence[float]) -> float:
        """Duration of a coarse scan at these offsets, once the carriage is at the first."""
        moving_s = sum(
            self._bench.approach_s(0.0, self._travel_um(after - before)) for before, after in pairwise(offsets)
        )
        return moving_s + len(offsets) * self._point_s

    def _travel_um(self, offset_um: float) -> float:
        """Carriage travel (um) for a change of offset near nominal."""
        nominal_um = None if self._where is None else self._where.nominal_um
        return offset_um if nominal_um is None else shifted_um(self._where, nominal_um, offset_um) - nominal_um

    def mean_station_move_s(self) -> float:
        """Travel time from one station to the next, averaged over all orders of the stations."""
        count, step, move_s = self._places.points, self._travel_um(self._places.step_um), self._bench.approach_s
        # The time depends on the distance alone, and `count - n` pairs of stations lie n steps apart. Of very many
        # distances some are enough: a plan is made while the bench has other things to do.
        distances = range(1, count, max(1, count // SAMPLED_DISTANCES))
        both = sum((count - steps) * (move_s(0.0, steps * step) + move_s(steps * step, 0.0)) for steps in distances)
        return 0.5 * both / sum(count - steps for steps in distances)
