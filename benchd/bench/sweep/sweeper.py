"""A sweep: coarse scan for the peak, plan of the stations, then move, settle, capture at each; or passes both ways.

A capture is measured and its readings are stored while the carriage moves to the next station. Those of passes are
stored once both ways have told their places.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Sequence

import numpy as np

from benchd.assessments.locate import Location
from benchd.assessments.sampling_positions import SPAN_HWHM, STEP_HWHM, Station, per_pass, plan, step_hwhm
from benchd.bench.analysis import Analysis
from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.gate import Gate
from benchd.bench.motion.positioner import Positioner
from benchd.bench.notices import Notices
from benchd.bench.requests import check_points
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep.captures import Captures, PlacedCapture
from benchd.bench.sweep.coarse_scan import FAR_UM, CoarseScan
from benchd.bench.sweep.enough_light import enough_light
from benchd.bench.sweep.pass_through import PassThrough
from benchd.bench.sweep.readings import Readings
from benchd.bench.sweep.stream import Stream
from benchd.bench.sweep.sweep_data import SweepData, SweepOrder, changed_brightness
from benchd.bench.time_table import spent
from benchd.detectors.detector import Detector
from benchd.detectors.values import Seen, Unusable
from benchd.devices import Clock
from benchd.errors import Refused
from benchd.metrology.peak_light import predicted_U_um
from benchd.optics.focus_depth import half_width_um
from benchd.records.store import Store

FINISH_S = 1.0

Progress = Callable[[int, int], None]


class Sweeper:
    """Carries out sweeps with a detector."""

    def __init__(
        self,
        carriage: Positioner,
        detector: Detector,
        analysis: Analysis,
        keeper: CurrentSetup,
        store: Store,
        notices: Notices,
        clock: Clock,
    ) -> None:
        self._carriage = carriage
        self._detector = detector
        self._analysis = analysis
        self._keeper = keeper
        self._clock = clock
        self._readings = Readings(detector, keeper, store, notices, clock)
        self._captures = Captures(carriage, detector.capture, keeper, clock)
        self._coarse_scan = CoarseScan(self._captures, detector, clock)

    async def sweep(
        self,
        order: SweepOrder,
        f_number: float,
        run: RunRecord,
        gate: Gate,
        progress: Progress,
        before: SweepData | None = None,
        expected_um: float | None = None,
    ) -> SweepData:
        """Scan, plan, take. Raises Refused (not_driven, not_found, limit, clearance), Stopped, BenchdError.

        `expected_um` is the offset at which the scan begins, where that is not in the middle of its reach.
        `before` is the sweep that the run has just taken: where it measured the same at the same set-up, more passes
        are taken about its peak, without another scan, by what the detector settled on for it.
        """
        lp_mm = self._detector.frequency(order.lp_mm)
        half_width = self._keeper.arrangement.curve_width * half_width_um(f_number, lp_mm)
        centre = await self._centre(order)
        data = self._empty(f_number, lp_mm, order.about, run)
        alike = before is not None and data.continues(before)
        peak = before.peak(half_width) if before is not None and alike else None
        if before is not None and peak is not None:
            data.u_frequency_rel, data.noise = before.u_frequency_rel, before.noise
        else:
            peak = await self._look(centre, expected_um, half_width, data, gate)
        data.hwhm_um = peak.hwhm_um
        span = order.span_um or 2.0 * SPAN_HWHM * peak.hwhm_um
        middle = peak.peak_um if order.span_um is None else centre
        if order.mode == "continuous":
            await self._pass_through(order, middle, span, half_width, data, run, gate, progress)
        else:
            step = order.step_um or step_hwhm(order.repeats) * peak.hwhm_um
            check_points(order.repeats * per_pass(span, step))
            inside = order.repeats * min(2.1 * half_width, span) / step
            await self._require_light(inside, half_width, data)
            rng = np.random.default_rng([run.number, len(run.sweeps)] if alike else run.number)
            stations = plan(middle, span, step, order.repeats, rng)
            await self._take_all(stations, peak.peak_um, data, run, gate, progress)
        data.flags += [*_lost_points(data), *changed_brightness(data.brightness)]
        return data

    async def _require_light(self, inside: float, half_width: float, data: SweepData) -> None:
        ratio = data.hwhm_um / half_width
        with spent("analysis"):
            predicted = await self._analysis.run(predicted_U_um, data.noise, inside, half_width, ratio)
        enough_light(predicted, data.noise, inside, half_width)

    def _empty(self, f_number: float, lp_mm: float, about: str | float, run: RunRecord) -> SweepData:
        setup = self._keeper.document
        return SweepData(
            setup=setup.rev,
            glass=setup.glass,
            detector=self._detector.gear.name,
            merit=self._detector.name,
            lp_mm=lp_mm,
            f_number=f_number,
            u_frequency_rel=0.0,
            hwhm_um=0.0,
            distance_mm=setup.distance_mm,
            distance_by=setup.told_by.get("distance_mm"),
            m=None if setup.m is None else (setup.m.value, setup.m.u),
            m_by=None if setup.m is None else setup.m.by,
            across_px=None if setup.m is None else setup.m.across_px,
            about=about,
            stands=(setup.lens, setup.adapters, str(setup.ring)),
            seating=run.seating,
            seated_by=run.seated_by,
        )

    async def _look(
        self, centre: float, expected: float | None, half_width: float, data: SweepData, gate: Gate
    ) -> Location:
        """Find the peak, and have the detector settle on how it measures the sweep."""
        begin = centre if expected is None else min(max(expected, centre - FAR_UM), centre + FAR_UM)
        if abs(await self._here() - begin) > half_width:
            await self._captures.go(begin, gate)
        with spent("light set"):
            await self._detector.prepare()
        peak, glances = await self._coarse_scan.find(centre, begin, half_width, data.lp_mm, gate)
        with spent("analysis"):
            data.u_frequency_rel = await self._settle_on(peak, glances, data.lp_mm)
            data.noise = await self._noise(glances)
        return peak

    async def _centre(self, order: SweepOrder) -> float:
        self._keeper.require_driven()
        if order.about in ("nominal", "expected"):
            return self._keeper.document.trim_um
        if order.about == "here":
            return await self._here()
        return float(order.about)

    async def _here(self) -> float:
        here: float | None = self._keeper.chain.places.offset_um((await self._carriage.read()).value)
        return 0.0 if here is None else here

    async def _settle_on(self, peak: Location, seen: Sequence[Seen], lp_mm: float) -> float:
        # Two stations beyond the span, so that what is settled also suits the blurriest capture of the sweep.
        within = (SPAN_HWHM + 2.0 * STEP_HWHM) * peak.hwhm_um
        others = [capture for capture in seen if abs(capture.offset_um - peak.peak_um) <= within]
        return await self._detector.settle_on(_sharpest(seen), others, lp_mm)

    async def _noise(self, seen: Sequence[Seen]) -> float:
        """Relative noise of one point at the peak, from the pilot's sharpest capture, measured as in the sweep."""
        measured = await self._detector.measure(_sharpest(seen).capture)
        if isinstance(measured, Unusable):
            raise Refused("not_found", measured.text, advice=measured.advice)
        values, us = zip(*measured.values.values(), strict=True)
        if (mean := sum(values) / len(values)) <= 0.0:
            raise Refused("not_found", "What is measured at the peak is not above zero.", advice="Check the light.")
        return float(math.hypot(*us) / len(us) / mean)

    # Taking

    async def _take_all(
        self,
        stations: Sequence[Station],
        peak_um: float,
        data: SweepData,
        run: RunRecord,
        gate: Gate,
        progress: Progress,
    ) -> None:
        if self._detector.returns_every:
            await self._take_between_returns(stations, peak_um, data, run, gate, progress)
            return
        under_way: asyncio.Task[None] | None = None
        try:
            for count, station in enumerate(stations):
                taken = await self._captures.take(station.offset_um, gate)
                if under_way is not None:
                    with spent("analysis"):
                        await under_way
                work = self._readings.of_station(taken, station, data, run, gate)
                under_way = asyncio.create_task(work, name="reading")
                progress(count + 1, len(stations))
            if under_way is not None:
                with spent("analysis"):
                    await under_way
        finally:
            # A finished exposure is measured and kept even if the sweep is interrupted, but a full disk is not awaited.
            if under_way is not None:
                ended, late = await asyncio.wait({under_way}, timeout=FINISH_S)
                for task in late:
                    task.cancel()
                for task in ended:
                    task.cancelled() or task.exception()  # retrieved; the sweep ends for another reason

    async def _take_between_returns(
        self,
        stations: Sequence[Station],
        peak_um: float,
        data: SweepData,
        run: RunRecord,
        gate: Gate,
        progress: Progress,
    ) -> None:
        """As `_take_all`, for a detector that goes back to the peak: what was taken since is measured when it has seen
        the lamp again. Where the sweep is interrupted that is lost."""
        every = self._detector.returns_every
        await self._detector.returned((await self._captures.take(peak_um, gate)).capture)
        for first in range(0, len(stations), every):
            between: list[tuple[PlacedCapture, Station]] = []
            for station in stations[first : first + every]:
                between.append((await self._captures.take(station.offset_um, gate), station))
                progress(first + len(between), len(stations))
            await self._detector.returned((await self._captures.take(peak_um, gate)).capture)
            for taken, station in between:
                await self._readings.of_station(taken, station, data, run, gate)

    # Passing through

    async def _pass_through(
        self,
        order: SweepOrder,
        middle: float,
        span: float,
        half_width: float,
        data: SweepData,
        run: RunRecord,
        gate: Gate,
        progress: Progress,
    ) -> None:
        """Take the passes; once they have told latency and places, keep and publish the readings in the order taken."""
        taking = PassThrough(self._carriage, self._detector, self._analysis, self._keeper, self._captures, self._clock)
        async with Stream(self._detector, self._clock) as stream:
            plan = await taking.plan(stream, middle, span, half_width, order.step_um)
            check_points(2 * order.repeats * math.ceil(plan.expected))
            inside = 2.0 * order.repeats * min(2.1 * half_width, span) / plan.spacing_um
            await self._require_light(inside, half_width, data)
            legs = await taking.take(plan, order.repeats, stream, gate, progress)
        places = await taking.match(legs, plan, data, run.id)
        await self._readings.of_passes(places, data, run, gate)


def _lost_points(data: SweepData) -> list[str]:
    if not data.refused:
        return []
    total = data.refused + len(data.points)
    return [f"{data.refused} of {total} points of a sweep could not be measured; of the first: {data.first_refusal}"]


def _sharpest(seen: Sequence[Seen]) -> Seen:
    return max(seen, key=lambda capture: capture.glance.value)
