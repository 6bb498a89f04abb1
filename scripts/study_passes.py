"""A case's carriage at constant speed and the captures beside it, each with a time: what a continuous sweep rests on.

Of what the budget assumes nothing is drawn as it assumes it: stamps are late by one of two constants and by a skewed
draw each, their clock drifts by a bounded but not rectangular one, and the speed ripples.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from math import cos, pi, sin

import numpy as np
from numpy.typing import NDArray

from benchd.bench.motion.figures import run_up_um
from benchd.detectors.values import Capture
from benchd.devices import Reading
from study_strata import Timing
from study_world import CaseWorld

UTC = "2026-01-01T00:00:00Z"
ACCELERATION_UM_S2, APPROACH_UM, TOP_UM_S = 20_000.0, 100.0, 4000.0
POLL_S, TURNS_S = 0.008, 0.05
STANDING = 14
"""Captures before the carriage moves: the pace is told by the first twelve."""
NODES = np.polynomial.legendre.leggauss(5)[0]
"""Instants in an exposure, in halves of it, over which the light is gathered (`over_exposure`)."""
WEIGHTS = np.polynomial.legendre.leggauss(5)[1] / 2.0


def over_exposure(values: NDArray[np.float64]) -> float:
    """The mean of what was gathered at the nodes (Gauss and Legendre)."""
    return float(WEIGHTS @ values)


class Ripple:
    """What the speed of a case's passes ripples by, a `share` of it."""

    def __init__(self, rng: np.random.Generator, share: float) -> None:
        self._hz, self._phase, self._share = float(rng.uniform(3.0, 15.0)), float(rng.uniform(0.0, 2 * pi)), share

    def ahead_s(self, began_s: float, into_s: float) -> float:
        """How far ahead of an even speed it is, as time."""
        w = 2.0 * pi * self._hz
        phase = self._phase + w * began_s
        return self._share / w * (cos(phase) - cos(phase + w * into_s))


class Motion:
    """Passes of one case, and the stream of captures beside: the true places in each exposure are its data."""

    def __init__(self, world: CaseWorld, timing: Timing) -> None:
        self._world, self._timing = world, timing
        self._rng = rng = world.draws.rng("study.timing")
        self._late_s = timing.late_s * float(rng.choice((0.3, 1.0)))
        self._drift = timing.drift * sin(float(rng.uniform(-pi / 2, pi / 2)))
        self._poll_late_s = float(rng.uniform(0.0, 0.002))
        self._ripple = Ripple(rng, timing.ripple)
        self._next_s = self._began_s = world.seconds
        self._captures: asyncio.Queue[Capture] = asyncio.Queue()
        self.stand()

    async def stream(self) -> AsyncIterator[Capture]:
        """Captures as they come."""
        while True:
            yield await self._captures.get()

    def stand(self) -> None:
        """Captures where the carriage stands."""
        self._next_s = max(self._next_s, self._world.seconds)
        kept = 0
        while kept < STANDING:  # lost ones tell no pace, and here nothing else comes while the carriage stands
            kept += self._capture(lambda _: self._world.rail.place_um)
        self._world.seconds = self._next_s

    def _capture(self, place: Callable[[float], float]) -> bool:
        """The next one; false where it is lost."""
        timing, middle_s = self._timing, self._next_s
        places = np.array([place(middle_s + 0.5 * timing.exposed_s * node) for node in NODES])
        jitter_s = timing.jitter_s * (float(self._rng.gamma(2.0)) - 2.0) / 2.0**0.5
        stamp_s = middle_s + self._late_s + jitter_s + self._drift * (middle_s - self._began_s)
        if kept := bool(self._rng.uniform() >= timing.dropped):
            self._captures.put_nowait(Capture(places, stamp_s, UTC, timing.exposed_s))
        self._next_s += 1.0 / timing.rate_hz
        return kept

    async def pass_through(
        self, ends_um: Sequence[float], speed_um_s: float, polled: Callable[[int, Reading], None]
    ) -> Reading:
        """Each way with its ramps left out: what is in them is no reading."""
        world = self._world
        for number, end_um in enumerate(ends_um):
            from_um, began_s = world.rail.place_um, world.seconds
            way, lasts_s = (1.0 if end_um > from_um else -1.0), abs(end_um - from_um) / speed_um_s

            def place(t: float) -> float:
                into_s = min(max(t - began_s, 0.0), lasts_s)  # noqa: B023 used before the next way
                return from_um + way * speed_um_s * (into_s + self._ripple.ahead_s(began_s, into_s))  # noqa: B023

            self._next_s = max(self._next_s, began_s + 0.5 * self._timing.exposed_s)
            while self._next_s < began_s + lasts_s + TURNS_S:
                self._capture(place)
            for t in np.arange(began_s, began_s + lasts_s, POLL_S):
                world.rail.place_um = place(t)
                told_s = t + self._poll_late_s + float(self._rng.exponential(0.0003))
                polled(number, Reading(world.encoder.read_um(), "um", told_s, UTC))
            world.rail.place_um, world.seconds = place(began_s + lasts_s), began_s + lasts_s + TURNS_S
        self.stand()
        await asyncio.sleep(0)
        return Reading(world.encoder.read_um(), "um", world.seconds, UTC)


def run_up(speed_um_s: float) -> float:
    """As of the shipped bench."""
    return run_up_um(speed_um_s, ACCELERATION_UM_S2, APPROACH_UM)
