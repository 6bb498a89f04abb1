"""A view of the bench: its devices, speeds and state, and where a set-up puts nominal."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from typing import Any

from benchd.arrangements.arrangement import Arrangement
from benchd.arrangements.places import Places
from benchd.bench.datum.clearance import Clearance, Parts
from benchd.bench.motion.figures import NEEDS_NO_RUN_UP, rest_to_rest_s
from benchd.bench.requests import Use
from benchd.detectors.available import Chosen
from benchd.detectors.detector import Detector
from benchd.devices.values import Approach
from benchd.files.bench_file import Target
from benchd.files.records_folder import Records
from benchd.verbs.turning import RingView

NOT_LIMITED = Clearance(None, 0.0)


@dataclass(frozen=True, slots=True)
class SetupPlaces:
    """Carriage positions of a set-up (um).

    `half_width_um` is the geometric half-width of the curve at the set-up's f-number, None if unknown; `u_um` how well
    nominal is known, `limit` the least depth, and `parts` the combination that an answer about rear clearance counts
    for; `setup` the whole set-up as JSON values; `after` gives the positions after further changes, None if not known.
    """

    places: Places
    half_width_um: float | None = None
    trim_um: float = 0.0
    u_um: float = 0.0
    limit: Clearance = NOT_LIMITED
    parts: Parts = (None, (), (), None)
    setup: Mapping[str, Any] = field(default_factory=dict)
    after: Callable[[Mapping[str, Any]], SetupPlaces] | None = None

    @property
    def nominal_um(self) -> float | None:
        """Where `nominal` goes, trim included; None if there is none."""
        return self.places.carriage_um(self.trim_um)

    def shifted_um(self, place_um: float, offset_um: float) -> float:
        """Carriage position whose offset is larger by `offset_um` than at `place_um`."""
        here = self.places.offset_um(place_um)
        there = None if here is None else self.places.carriage_um(here + offset_um)
        return place_um + offset_um if there is None else there


Where = Callable[[Mapping[str, Any]], SetupPlaces]
"""Gives the positions after changes of the set-up (JSON values, as of `setup`). Raises Refused as a change would."""


@dataclass(frozen=True, slots=True)
class BenchView:
    """Speeds in um/s, times in s; NaN in a view made without motion.

    `run_up_um` is where the run-up to a position begins, relative to it: negative if below. Homing may go to `home_um`.
    `rear_confirmed_um` is the depth to which a person has confirmed rear clearance, by combination of parts;
    `asks_of_rear` whether a person is still asked about a lens whose rear is in no record; `stale` whether the carriage
    has not been driven since something changed that its position depends on. `not_homed_why` says why it is not homed;
    `carriage_um` is None if it was not read; `rev` is the set-up's.
    `devices`: every name that a step may use, roles first; `device_for` (use, name) raises Refused as the bench would
    for a name that does not fit that use; `records` are the bench's, None if not known. `detector_for` (merit, lp/mm)
    gives the detector of a sweep, and raises Refused as the bench would; `check_continuous` does so for one with
    which no continuous sweep can be taken here. `moves_target`: the target rides on the carriage; `arrangement` and
    `target` are the bench's, None if not known; `calibrations` artefacts with one in force, `lenses_found` each
    assessment with each lens that the record has a finding of, None if that was not looked up; and `counts_with`
    whether an artefact is something that may be calibrated.
    `rings` is what turns, by role.
    `glass_question_text`: the question about a lens with this glass behind it, None if the glass is its own.
    """

    devices: Set[str]
    calibrations: Set[str]
    homed: bool
    stale: bool
    carriage_um: float | None
    where: Where
    detector_for: Callable[[str, float | None], Chosen]
    travel_um: tuple[float, float] = (math.nan, math.nan)
    top_speed_um_s: float = math.nan
    acceleration_um_s2: float = math.nan
    settle_s: float = math.nan
    home_s: float = math.nan
    run_up_um: float = 0.0
    home_um: float = 0.0
    not_homed_why: str | None = None
    rev: int = 0
    asks_of_rear: bool = True
    rear_confirmed_um: Mapping[Parts, float] = field(default_factory=dict)
    reading_s: float = 0.1
    assess_s: float = 0.5
    device_for: Callable[[Use, str], object] = lambda use, name: None
    check_continuous: Callable[[Detector], None] = lambda detector: None
    records: Records | None = None
    moves_target: bool = True
    arrangement: Arrangement | None = None
    target: Target | None = None
    counts_with: Callable[[str], bool] = lambda artefact: True
    lenses_found: Set[tuple[str, str]] | None = None
    rings: Mapping[str, RingView] = field(default_factory=dict)
    glass_question_text: Callable[[str | None, Sequence[str]], str | None] = lambda lens, glass: None

    def role_of(self, axis: str) -> str:
        """The role of what turns, by that or by its device's name."""
        if not self.rings:
            return axis
        name = getattr(self.device_for("drive", axis), "name", axis)
        return next(
            (role for role in self.rings if getattr(self.device_for("drive", role), "name", role) == name), axis
        )

    def move_s(self, distance_um: float) -> float:
        """Time of a move from rest to rest (trapezoidal or triangular speed profile), settling included."""
        return 0.0 if distance_um == 0.0 else self._driving_s(distance_um) + self.settle_s

    def approached(self, approach: Approach | None) -> BenchView:
        """The same bench if it came to its places from this side; None: as it does."""
        as_ever = approach is None or (approach == "from_below") is (self.run_up_um < 0.0)
        return self if as_ever else replace(self, run_up_um=-self.run_up_um)

    def approach_s(self, from_um: float, to_um: float) -> float:
        """The same for a position approached from one side: with a run-up past it if it lies on the other side."""
        distance, run_up = to_um - from_um, self.run_up_um
        if -distance * run_up >= NEEDS_NO_RUN_UP * run_up**2:
            return self.move_s(distance)
        return self._driving_s(distance + run_up) + self.move_s(run_up)

    def _driving_s(self, distance_um: float) -> float:
        return rest_to_rest_s(distance_um, self.top_speed_um_s, self.acceleration_um_s2)
