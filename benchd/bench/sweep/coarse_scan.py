"""Where the focus is: a quick look about a place, and from there to where blur, or the highest value, says it is.

A look chooses stations; it never enters a fit. Values peak on every side lobe too: where a detector tells how blurred
what it sees is, a peak counts where the least blur is, and else where the highest of all values is that a wide look
has seen.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Sequence

from benchd.assessments.locate import Location, agree, least_blur_um, locate
from benchd.assessments.sampling_positions import pilot, wide
from benchd.bench.gate import Gate
from benchd.bench.sweep.captures import Captures, PlacedCapture
from benchd.detectors.detector import Detector
from benchd.detectors.values import Glance, Seen, Unusable
from benchd.devices import Clock
from benchd.errors import Refused

PILOTS = 4
CENTRED_HW = 1.5
"""How far from the middle of a pilot its peak may be, in geometric half-widths, for both flanks to be seen well."""

CENTRED_BY_VALUES_HW = 1.0
"""The same where values alone tell: side lobes stand 1.4 half-widths apart and more (zeros and maxima of 2 J1(x)/x),
and grow towards the focus; a pilot, which reaches 2.5, then sees the higher one beside."""

STANDS_OUT = 2.0
"""By so much the height of a peak exceeds every value beyond twice its half-width, where values alone tell: of a focus
they are side lobes, an eighth of it and with a wave of spherical aberration .28 at most (f/1.4 to f/8, own quadrature);
of noise, and of a side lobe, they are as high or higher."""

FAR_UM = 600.0
"""No look is taken about a place farther than this from where the search began: nobody asked for more."""

WIDE_STEP_HW = 2.4
"""Steps of a wide search, in geometric half-widths. The peak is between two of them above a third of its height, and no
side lobe reaches that."""

HEAD_START_S = 0.003
"""The next move is sent off before the last capture goes to the worker: it then has the whole move for itself."""


class CoarseScan:
    """Looks for best focus with a detector."""

    def __init__(self, shots: Captures, detector: Detector, clock: Clock) -> None:
        self._shots = shots
        self._detector = detector
        self._clock = clock

    async def find(self, centre: float, half_width: float, lp_mm: float, gate: Gate) -> tuple[Location, list[Seen]]:
        """The peak from a pilot about `centre`, or about where the focus seems to be; at most `PILOTS` of them."""
        about, by_values = centre, not self._detector.tells_blur
        all_seen: list[Seen] = []
        looked_wide = False
        for turn in range(PILOTS):
            # The first look is what was asked for: where it does not fit, the shot that cannot be taken says why.
            if turn and not self._within_reach(about, half_width):
                break
            found, seen = await self._look(pilot(about, half_width), lp_mm, half_width, gate)
            all_seen += seen
            focus = self._focus(all_seen)
            if focus is None or (by_values and not looked_wide):  # too blurred all over, or a side lobe perhaps
                low, high = self._shots.reach(centre, FAR_UM)
                _, more = await self._look(wide(low, high, WIDE_STEP_HW * half_width), lp_mm, half_width, gate)
                all_seen += more
                looked_wide = True
                focus = self._focus(all_seen)
            if focus is None:
                break
            if found is not None and agree(found, focus, half_width):
                centred = CENTRED_BY_VALUES_HW if by_values else CENTRED_HW
                sure = not by_values or _stands_out(found, all_seen)
                if abs(found.peak_um - about) <= centred * half_width and sure:
                    return found, seen
                focus = found.peak_um
            about = min(max(focus, centre - FAR_UM), centre + FAR_UM)
        raise Refused(
            "not_found",
            "No best focus within reach.",
            advice="Hold lens, adapters, glass and ring against the set-up; look at the iris and the light.",
            data={"about_um": centre},
        )

    def _focus(self, seen: Sequence[Seen]) -> float | None:
        """Where the focus seems to be, by all that was seen; None where that does not say it."""
        return _least_blur(seen) if self._detector.tells_blur else _highest(seen)

    def _within_reach(self, offset: float, half_width: float) -> bool:
        """Whether a pilot can be taken there."""
        places = pilot(offset, half_width)
        low, high = self._shots.reach(offset, math.inf)
        return low <= places[0] and places[-1] <= high

    async def _look(
        self, offsets: Sequence[float], lp_mm: float, half_width: float, gate: Gate
    ) -> tuple[Location | None, list[Seen]]:
        looking: list[tuple[PlacedCapture, asyncio.Task[Glance | Unusable]]] = []
        try:
            for offset in offsets:
                taken = await self._shots.take(offset, gate)
                looking.append((taken, asyncio.create_task(self._glance(taken, lp_mm), name="glance")))
            results = [(taken, await task) for taken, task in looking]
        finally:
            for _, task in looking:
                if not task.cancel() and not task.cancelled():
                    task.exception()  # of several that are refused the first is told
        values = [glance.value if isinstance(glance, Glance) else 0.0 for _, glance in results]
        seen = [Seen(taken.offset_um, taken.capture, glance) for taken, glance in results if isinstance(glance, Glance)]
        return locate([taken.offset_um for taken, _ in results], values, half_width), seen

    async def _glance(self, taken: PlacedCapture, lp_mm: float) -> Glance | Unusable:
        await self._clock.sleep(HEAD_START_S)
        return await self._detector.glance(taken.capture, lp_mm)


def _least_blur(seen: Sequence[Seen]) -> float | None:
    told = [(one.offset_um, one.glance.blur) for one in seen if one.glance.blur is not None]
    return least_blur_um([offset for offset, _ in told], [blur for _, blur in told])


def _stands_out(found: Location, seen: Sequence[Seen]) -> bool:
    beside = [one.glance.value for one in seen if abs(one.offset_um - found.peak_um) > 2.0 * found.hwhm_um]
    return found.height >= STANDS_OUT * max(beside, default=0.0)


def _highest(seen: Sequence[Seen]) -> float | None:
    highest = max(seen, key=lambda one: one.glance.value, default=None)
    return highest.offset_um if highest is not None and highest.glance.value > 0.0 else None
