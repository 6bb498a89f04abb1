"""A view of the bench: what is there, how fast it moves, how it stands, and where a set-up puts nominal."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, field
from typing import Any

from benchd.arrangements.places import Places
from benchd.bench.datum.clearance import Clearance, Parts
from benchd.bench.motion.positioner import NEEDS_NO_RUN_UP
from benchd.bench.requests import Use
from benchd.detectors.available import Chosen
from benchd.files.records_folder import Records

NOT_LIMITED = Clearance(None, 0.0)


@dataclass(frozen=True, slots=True)
class SetupPlaces:
    """What a set-up says of places on the carriage (um).

    `half_width_um` is the geometric half-width of the curve at the set-up's f-number, None if unknown; `limit` the
    least depth, and `parts` what an answer about the rear would count for; `setup` the whole of it, as JSON values;
    `after` says the same after further changes, None where nobody knows.
    """

    places: Places
    half_width_um: float | None = None
    trim_um: float = 0.0
    limit: Clearance = NOT_LIMITED
    parts: Parts = (None, (), (), None)
    setup: Mapping[str, Any] = field(default_factory=dict)
    after: Callable[[Mapping[str, Any]], SetupPlaces] | None = None

    @property
    def nominal_um(self) -> float | None:
        """Where `nominal` goes, trim included; None where it cannot be said."""
        return self.places.carriage_um(self.trim_um)

    def beside_um(self, place_um: float, offset_um: float) -> float:
        """Where the carriage stands for so much more offset than at a place."""
        here = self.places.offset_um(place_um)
        there = None if here is None else self.places.carriage_um(here + offset_um)
        return place_um + offset_um if there is None else there


Where = Callable[[Mapping[str, Any]], SetupPlaces]
"""From changes of the present set-up (JSON values, as of `setup`) to places. Raises Refused as a real change would."""


@dataclass(frozen=True, slots=True)
class BenchView:
    """Speeds in um/s, times in s; what moves nothing knows nothing of them (NaN).

    `run_up_um` is where the carriage goes first to come to a place, from that place: below it negative. Homing may go
    to `home_um`. `rear_seen` is what a person has made sure of, as the set-up keeper has it; `asks_of_rear` whether
    somebody is still asked about a lens whose rear is in no record; `stale` whether the carriage was not driven since
    something changed that its place depends on. `not_homed_why` says why it is not homed; `carriage_um` is None where
    nobody has looked where it stands; `rev` is the set-up's.
    `devices`: every name that a step may use, roles first; `device_for` (use, name) raises Refused as the bench would
    for a name that is none for that use; `records` are those of the bench, None where nobody knows. `detector_for`
    (merit, lp/mm) gives what a sweep would be taken by, and raises Refused as the bench would. `moves_target`: the
    target rides on the carriage. `calibrations`: artefacts with one in force. `asked_of_glass`: what is asked of a lens
    with this glass behind it, None where that is its own.
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
    rear_seen: Mapping[Parts, float] = field(default_factory=dict)
    reading_s: float = 0.1
    assess_s: float = 0.5
    device_for: Callable[[Use, str], object] = lambda use, name: None
    records: Records | None = None
    moves_target: bool = True
    glass_question_text: Callable[[str | None, Sequence[str]], str | None] = lambda lens, glass: None

    def move_s(self, distance_um: float) -> float:
        """Time of a move from rest to rest (trapezoid or triangle of speed), settling included."""
        return 0.0 if distance_um == 0.0 else self._driving_s(distance_um) + self.settle_s

    def approach_s(self, from_um: float, to_um: float) -> float:
        """The same for a place that is always come to from one side: past it first where it lies on the other."""
        way, run_up = to_um - from_um, self.run_up_um
        if -way * run_up >= NEEDS_NO_RUN_UP * run_up**2:
            return self.move_s(way)
        return self._driving_s(way + run_up) + self.move_s(run_up)

    def _driving_s(self, distance_um: float) -> float:
        distance = abs(distance_um)
        ramp = self.top_speed_um_s**2 / self.acceleration_um_s2
        if distance >= ramp:
            return distance / self.top_speed_um_s + self.top_speed_um_s / self.acceleration_um_s2
        return 2.0 * math.sqrt(distance / self.acceleration_um_s2)
