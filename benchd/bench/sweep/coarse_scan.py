"""The coarse scan for focus: a look of five captures, then pilots of more, about where blur, or the highest value, is.

A scan chooses stations; it never enters a fit. Values peak on every side lobe too. If the detector measures blur, a
peak is accepted only where blur is least; otherwise only where the highest value of a wide scan is.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Sequence

from benchd.assessments.locate import Location, agree, least_blur_um, locate
from benchd.assessments.sampling_positions import look, pilot, wide
from benchd.bench.gate import Gate
from benchd.bench.sweep.captures import Captures, PlacedCapture
from benchd.bench.time_table import spent
from benchd.detectors.detector import Detector
from benchd.detectors.values import Glance, Seen, Unusable
from benchd.devices import Clock
from benchd.errors import Refused

LOOKS = 2
"""Looks of five before pilots: where focus is expected, and where the first one shows it. Only blur tells one that sees
a side lobe alone, so a detector without blur begins with a pilot."""

PILOTS = 4

CENTRED_HW = 1.5
"""How far from the middle of a pilot its peak may be, in geometric half-widths, for both flanks to be seen well."""

CENTRED_BY_VALUES_HW = 1.0
"""The same for a detector without blur: side lobes are 1.4 half-widths apart and more (zeros and maxima of 2 J1(x)/x),
and grow towards the focus; a pilot, which reaches 2.5, then sees the higher one beside it."""

STANDS_OUT = 2.0
"""For a detector without blur: ratio of a peak to every value beyond twice its half-width. Around a focus those are
side lobes, an eighth of it, and with a wave of spherical aberration .28 at most (f/1.4 to f/8, own quadrature); around
noise, or around a side lobe, they are as high or higher."""

FAR_UM = 600.0
"""No scan is centred farther than this from where the search began: farther motion was not asked for."""

WIDE_STEP_HW = 2.4
"""Steps of a wide search, in geometric half-widths. The peak is between two of them above a third of its height, and no
side lobe reaches that."""

HEAD_START_S = 0.003
"""Delay before a capture goes to the worker, so that the next move is sent first and the two run in parallel."""


class CoarseScan:
    """Looks for best focus with a detector."""

    def __init__(self, captures: Captures, detector: Detector, clock: Clock) -> None:
        self._captures = captures
        self._detector = detector
        self._clock = clock

    async def find(
        self, centre: float, begin: float, half_width: float, lp_mm: float, gate: Gate
    ) -> tuple[Location, list[Seen]]:
        """The peak from a scan about `begin`, or about where the focus seems to be; at most `LOOKS` and `PILOTS`.

        No scan is centred farther than `FAR_UM` from `centre`.
        """
        about, by_values = min(max(begin, centre - FAR_UM), centre + FAR_UM), not self._detector.tells_blur
        all_seen: list[Seen] = []
        scanned_wide = False
        for turn in range(LOOKS if by_values else 0, LOOKS + PILOTS):
            places = (look if turn < LOOKS else pilot)(about, half_width)
            # The first scan is where the caller asked for it: if it does not fit, the refused capture says why.
            if all_seen and not self._within_reach(places):
                break
            found, seen = await self._scan(places, lp_mm, half_width, gate)
            all_seen += seen
            focus = self._focus(all_seen)
            if focus is None or (by_values and not scanned_wide):  # too blurred everywhere, or perhaps a side lobe
                low, high = self._captures.reach(centre, FAR_UM)
                _, more = await self._scan(wide(low, high, WIDE_STEP_HW * half_width), lp_mm, half_width, gate)
                all_seen += more
                scanned_wide = True
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
        """Where the focus seems to be, from all captures; None if they do not show it."""
        return _least_blur(seen) if self._detector.tells_blur else _highest(seen)

    def _within_reach(self, offsets: Sequence[float]) -> bool:
        """Whether a scan can be taken there."""
        low, high = self._captures.reach(0.5 * (offsets[0] + offsets[-1]), math.inf)
        return low <= offsets[0] and offsets[-1] <= high

    async def _scan(
        self, offsets: Sequence[float], lp_mm: float, half_width: float, gate: Gate
    ) -> tuple[Location | None, list[Seen]]:
        glances: list[tuple[PlacedCapture, asyncio.Task[Glance | Unusable]]] = []
        try:
            for offset in offsets:
                taken = await self._captures.take(offset, gate)
                glances.append((taken, asyncio.create_task(self._glance(taken, lp_mm), name="glance")))
            with spent("analysis"):
                results = [(taken, await task) for taken, task in glances]
        finally:
            for _, task in glances:
                if not task.cancel() and not task.cancelled():
                    task.exception()  # retrieved; of several errors the first is raised
        values = [glance.value if isinstance(glance, Glance) else 0.0 for _, glance in results]
        seen = [Seen(taken.offset_um, taken.capture, glance) for taken, glance in results if isinstance(glance, Glance)]
        return locate([taken.offset_um for taken, _ in results], values, half_width), seen

    async def _glance(self, taken: PlacedCapture, lp_mm: float) -> Glance | Unusable:
        await self._clock.sleep(HEAD_START_S)
        return await self._detector.glance(taken.capture, lp_mm)


def _least_blur(seen: Sequence[Seen]) -> float | None:
    blurs = [(capture.offset_um, capture.glance.blur) for capture in seen if capture.glance.blur is not None]
    return least_blur_um([offset for offset, _ in blurs], [blur for _, blur in blurs])


def _stands_out(found: Location, seen: Sequence[Seen]) -> bool:
    beside = [capture.glance.value for capture in seen if abs(capture.offset_um - found.peak_um) > 2.0 * found.hwhm_um]
    return found.height >= STANDS_OUT * max(beside, default=0.0)


def _highest(seen: Sequence[Seen]) -> float | None:
    highest = max(seen, key=lambda capture: capture.glance.value, default=None)
    return highest.offset_um if highest is not None and highest.glance.value > 0.0 else None
