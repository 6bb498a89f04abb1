"""Where the focus is: a quick look about a place, and from there to where the edges say it is.

A look chooses stations; it never enters a fit.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.assessments.locate import Location, agree, least_blur_um, locate
from benchd.assessments.stations import pilot, wide
from benchd.bench.detector import EdgeDetector
from benchd.bench.gate import Gate
from benchd.bench.pictures import TOO_FINE, Glance, Unusable
from benchd.bench.shots import Shot, Shots
from benchd.devices import Clock, Frame
from benchd.errors import Refused

PILOTS = 4
CENTRED_HW = 1.5
"""How far from the middle of a pilot its peak may be, in geometric half-widths, for both flanks to be seen well."""

FAR_UM = 600.0
"""No look is taken about a place farther than this from where the search began: nobody asked for more."""

WIDE_STEP_HW = 2.4
"""Steps of a wide search, where a pilot shows no edges, in geometric half-widths."""

HEAD_START_S = 0.003
"""The next move is sent off before the last picture goes to the worker: it then has the whole move for itself."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A picture of the pilot, and what a glance at it said."""

    offset_um: float
    glance: Glance
    frame: Frame


class Search:
    """Looks for best focus with the edge detector."""

    def __init__(self, shots: Shots, detector: EdgeDetector, clock: Clock) -> None:
        self._shots = shots
        self._detector = detector
        self._clock = clock

    async def find(self, centre: float, half_width: float, lp_mm: float, gate: Gate) -> tuple[Location, list[Seen]]:
        """The peak from a pilot about `centre`, or about where its edges say the focus is; at most `PILOTS` of them."""
        about = centre
        all_seen: list[Seen] = []
        for turn in range(PILOTS):
            # The first look is what was asked for: where it does not fit, the shot that cannot be taken says why.
            if turn and not self._within_reach(about, half_width):
                break
            found, seen = await self._look(pilot(about, half_width), lp_mm, half_width, gate)
            all_seen += seen
            least = _least_blur(all_seen)
            if least is None:  # too blurred all over: look further
                low, high = self._shots.reach(centre, FAR_UM)
                _, more = await self._look(wide(low, high, WIDE_STEP_HW * half_width), lp_mm, half_width, gate)
                all_seen += more
                least = _least_blur(all_seen)
            if least is None:
                break
            if found is not None and agree(found, least, half_width):
                if abs(found.peak_um - about) <= CENTRED_HW * half_width:
                    return found, seen
                least = found.peak_um
            about = min(max(least, centre - FAR_UM), centre + FAR_UM)
        raise Refused(
            "not_found",
            "No best focus within reach.",
            advice="Hold lens, adapters, glass, ring and wall against the set-up; look at the iris and the picture.",
            data={"about_um": centre},
        )

    def _within_reach(self, offset: float, half_width: float) -> bool:
        """Whether a pilot can be taken there."""
        places = pilot(offset, half_width)
        low, high = self._shots.reach(offset, math.inf)
        return low <= places[0] and places[-1] <= high

    async def _look(
        self, offsets: Sequence[float], lp_mm: float, half_width: float, gate: Gate
    ) -> tuple[Location | None, list[Seen]]:
        looking: list[tuple[Shot, asyncio.Task[Glance | Unusable]]] = []
        try:
            for offset in offsets:
                taken = await self._shots.take(offset, gate)
                looking.append((taken, asyncio.create_task(self._glance(taken, lp_mm), name="glance")))
            results = [(taken, await task) for taken, task in looking]
        finally:
            for _, task in looking:
                task.cancel()
        for _, glance in results:
            if isinstance(glance, Unusable) and glance.code == TOO_FINE:  # wherever it looks
                raise Refused("bad_request", glance.text, advice="Give a lower lp_mm.")
        values = [glance.modulation if isinstance(glance, Glance) else 0.0 for _, glance in results]
        seen = [Seen(taken.offset_um, glance, taken.frame) for taken, glance in results if isinstance(glance, Glance)]
        return locate([taken.offset_um for taken, _ in results], values, half_width), seen

    async def _glance(self, taken: Shot, lp_mm: float) -> Glance | Unusable:
        await self._clock.sleep(HEAD_START_S)
        return await self._detector.glance(taken.frame, lp_mm)


def _least_blur(seen: Sequence[Seen]) -> float | None:
    return least_blur_um([one.offset_um for one in seen], [one.glance.sigma_px for one in seen])
