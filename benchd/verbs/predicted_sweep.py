"""A sweep before it is taken: where it looks and reads, how long that takes, whether it may go there."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from itertools import pairwise

from benchd.bench.requests import check_points
from benchd.detectors.detector import DEFAULT_LP_MM
from benchd.verbs.entry import Entry, foremost
from benchd.verbs.foreseen import Why, joined
from benchd.verbs.reach import reach, would_be_refused
from benchd.verbs.sweep import SweepArgs
from benchd.verbs.sweep_places import SweepPlaces, sweep_places
from benchd.verbs.view import BenchView, SetupPlaces

ASSUMED_HALF_WIDTH_UM = 50.0
"""Half-width of the curve where the f-number is not known: f/2.8 at 40 lp/mm (0.705 N/nu)."""

LENGTHS = 200
"""Lengths of ways that are enough to know what they take on average."""


def places_of(where: SetupPlaces | None, args: SweepArgs | None = None, lp_mm: float = DEFAULT_LP_MM) -> SweepPlaces:
    """The places of a sweep at that frequency, or of one that leaves everything to the bench."""
    half_width = (where.half_width_um if where else None) or ASSUMED_HALF_WIDTH_UM
    span, step = (getattr(args, name, None) for name in ("span_um", "step_um"))
    return sweep_places(half_width * DEFAULT_LP_MM / lp_mm, span, step)


def beside_um(where: SetupPlaces | None, place_um: float, offset_um: float) -> float:
    """Where the carriage stands for so much more offset than at a place."""
    return place_um + offset_um if where is None else where.beside_um(place_um, offset_um)


class PredictedSweep:
    """One sweep of a set-up that gives these places. Raises Refused (bad_request, unknown_name) as the bench would."""

    def __init__(self, bench: BenchView, where: SetupPlaces | None, args: SweepArgs) -> None:
        self._bench = bench
        self._where = where
        chosen = bench.detector_for(args.merit, args.lp_mm)
        self._point_s = chosen.point_s
        self._looks_wide = not chosen.detector.tells_blur
        self._places = places_of(where, args, chosen.lp_mm)
        assert isinstance(args.repeats, int)
        self._points = args.repeats * self._places.points
        check_points(self._points)
        self.text = f"{self._points} points over about {self._places.span_um:.0f} µm, merit {args.merit}"

    def somewhere(self, why: Why) -> Entry:
        """Where it begins, or how far it goes, depends on an answer."""
        taking, more = self._seconds(self._places.wide)
        return Entry("sweep", f"{self.text}; where depends on {joined(why)}", taking, more)

    def about(self, here_um: float, from_um: float | None) -> Entry:
        """It begins here; the carriage stood there, None where that is not known."""
        bench, places = self._bench, self._places
        search, span = places.look, places.span_um
        beside = partial(beside_um, self._where, here_um)
        look = (beside(search[0]), beside(search[-1]))
        over = (beside(-span / 2), beside(span / 2))
        low, high = reach(bench, self._where, beside(-places.farthest_um), beside(places.farthest_um))
        taking, more = self._seconds([offset for offset in places.wide if low <= beside(offset) <= high])
        seconds = bench.approach_s(here_um if from_um is None else from_um, here_um)
        seconds += bench.approach_s(here_um, look[0]) + taking
        text = f"{self.text}, after a look with {len(search)} from {look[0]:.0f} to {look[1]:.0f} µm"
        text += f"; it may look as far as {low:.0f} to {high:.0f} µm if focus is not there"
        problem = foremost(*(would_be_refused(bench, self._where, place) for place in (*over, *look)))
        return Entry("sweep", text, seconds, more, (), from_um, here_um, look, over, (low, high), problem=problem)

    def _seconds(self, far: Sequence[float]) -> tuple[float, float]:
        """From its first place on: of the first look and the readings, and of all further looks, `far` among them."""
        looking = self._looking_s(self._places.look)
        taking = looking + self._points * (self.shuffled_s() + self._point_s)
        more, wide = self._places.more_looks * looking, self._looking_s(far)
        return (taking + wide, more) if self._looks_wide else (taking, more + wide)

    def _looking_s(self, offsets: Sequence[float]) -> float:
        """A picture at each place in its turn, once the carriage is at the first."""
        ways = sum(self._bench.approach_s(0.0, self._way(other - one)) for one, other in pairwise(offsets))
        return ways + len(offsets) * self._point_s

    def _way(self, offset_um: float) -> float:
        """What an offset near nominal is in um of carriage."""
        nominal_um = None if self._where is None else self._where.nominal_um
        return offset_um if nominal_um is None else beside_um(self._where, nominal_um, offset_um) - nominal_um

    def shuffled_s(self) -> float:
        """The way from one station to another, on average over all orders of them."""
        many, step, way_s = self._places.points, self._way(self._places.step_um), self._bench.approach_s
        # A way takes its time by its length, and of stations so many steps apart there are as many pairs as steps are
        # left. Of very many lengths some do: a plan is made while the bench has other things to do.
        apart = range(1, many, max(1, many // LENGTHS))
        both = sum((many - one) * (way_s(0.0, one * step) + way_s(one * step, 0.0)) for one in apart)
        return 0.5 * both / sum(many - one for one in apart)
