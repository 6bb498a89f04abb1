"""The stepped sweep: look where the peak is, choose the stations, then move, settle, expose, again and again.

A picture is analysed and its reading stored while the carriage is on its way to the next station.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from benchd.assessments.locate import Location, locate
from benchd.assessments.stations import SPAN_HWHM, STEP_HWHM, Station, pilot, plan, wide
from benchd.bench.chain import carriage_for_offset, offset_um
from benchd.bench.detector import EdgeDetector, Locked
from benchd.bench.gate import Gate
from benchd.bench.jobs import Stopped
from benchd.bench.notices import Notices
from benchd.bench.pictures import Glance, Unusable
from benchd.bench.positioner import Positioner
from benchd.bench.run_record import RunRecord
from benchd.bench.set_up_keeper import SetUpKeeper
from benchd.bench.sweep_data import SweepData, SweepOrder, SweepPoint
from benchd.devices import Clock, Frame
from benchd.errors import BenchdError, Refused
from benchd.metrology.peak_light import TOO_LITTLE_LIGHT, predicted_U_um
from benchd.optics.focus_depth import half_width_um
from benchd.records.store import Store
from benchd.records.values import ReadingRow

DEFAULT_LP_MM = 40.0
COARSE = 4.0
"""A wide search looks at a frequency this many times lower, whose curve is that many times wider."""
WIDE_UM = 600.0

FINISH_S = 1.0

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class _Taken:
    """A picture with the place it was taken at."""

    frame: Frame
    carriage_um: float
    offset_um: float


class Sweeper:
    """Carries out stepped sweeps with the edge detector."""

    def __init__(
        self,
        carriage: Positioner,
        detector: EdgeDetector,
        keeper: SetUpKeeper,
        store: Store,
        notices: Notices,
        clock: Clock,
    ) -> None:
        self._carriage = carriage
        self._detector = detector
        self._keeper = keeper
        self._store = store
        self._notices = notices
        self._clock = clock

    async def sweep(
        self, order: SweepOrder, f_number: float, run: RunRecord, gate: Gate, progress: Progress
    ) -> SweepData:
        """Look, plan, take. Raises Refused (not_driven, not_found, limit, clearance), Stopped, DeviceError."""
        lp_mm = order.lp_mm or DEFAULT_LP_MM
        half_width = half_width_um(f_number, lp_mm)
        centre = await self._centre(order)
        await self._go(centre, gate)
        await self._detector.expose()
        peak, glances = await self._find(centre, half_width, lp_mm, gate)
        locked = self._lock(peak, glances, lp_mm)
        span = order.span_um or 2.0 * SPAN_HWHM * peak.hwhm_um
        step = order.step_um or STEP_HWHM * peak.hwhm_um
        middle = peak.peak_um if order.span_um is None else centre
        self._require_light(glances, peak, span, step, order.repeats, half_width)
        rng = np.random.default_rng(run.number)
        stations = plan(middle, span, step, order.repeats, rng)
        data = SweepData(
            setup=self._keeper.document.rev,
            glass=self._keeper.document.glass,
            detector=self._detector.name,
            merit=self._detector.kind,
            lp_mm=lp_mm,
            f_number=f_number,
            u_frequency_rel=locked.u_frequency_rel,
            hwhm_um=peak.hwhm_um,
        )
        await self._take_all(stations, locked, data, run, gate, progress)
        return data

    async def _centre(self, order: SweepOrder) -> float:
        self._keeper.require_driven()
        if order.about == "nominal":
            return self._keeper.document.trim_um
        if order.about == "here":
            here = offset_um(self._keeper.chain, (await self._carriage.read()).value)
            return 0.0 if here is None else here
        return float(order.about)

    # Looking

    async def _find(
        self, centre: float, half_width: float, lp_mm: float, gate: Gate
    ) -> tuple[Location, list[tuple[float, Glance]]]:
        """The peak from a pilot about `centre`; failing that from a wide search at a low frequency and a new pilot."""
        found, glances = await self._look(pilot(centre, half_width), lp_mm, half_width, gate)
        if found is not None and found.enclosed and abs(found.peak_um - centre) <= 1.5 * half_width:
            return found, glances
        if found is None or not found.enclosed:
            coarse_hw = COARSE * half_width
            low, high = self._reach(centre, max(WIDE_UM, 3.0 * coarse_hw))
            found, _ = await self._look(wide(low, high, 0.6 * coarse_hw), lp_mm / COARSE, coarse_hw, gate)
        if found is not None:
            again, glances = await self._look(pilot(found.peak_um, half_width), lp_mm, half_width, gate)
            if again is not None and again.enclosed:
                return again, glances
        raise Refused(
            "not_found",
            "No best focus within reach.",
            advice="Check lens, adapters and ring, that the iris is open, and that the target is in the picture.",
            data={"about_um": centre},
        )

    def _reach(self, centre: float, span: float) -> tuple[float, float]:
        """Offsets within the carriage's limits and the clearance, at most `span` either way."""
        chain = self._keeper.chain
        low_um, high_um = self._carriage.limits_um
        low = offset_um(chain, low_um)
        high = offset_um(chain, high_um)
        least = self._keeper.clearance_of(self._keeper.document).least_depth_um
        nominal = chain.nominal_depth_um
        if least is not None and nominal is not None and low is not None:
            low = max(low, least - nominal)
        return max(centre - span, low or centre - span), min(centre + span, high or centre + span)

    async def _look(
        self, offsets: Sequence[float], lp_mm: float, half_width: float, gate: Gate
    ) -> tuple[Location | None, list[tuple[float, Glance]]]:
        seen: list[tuple[float, asyncio.Task[Glance | Unusable]]] = []
        try:
            for offset in offsets:
                taken = await self._take(offset, gate)
                work = self._detector.glance(taken.frame, lp_mm)
                seen.append((taken.offset_um, asyncio.create_task(work, name="glance")))
            results = [(offset, await task) for offset, task in seen]
        finally:
            for _, task in seen:
                task.cancel()
        values = [g.modulation if isinstance(g, Glance) else 0.0 for _, g in results]
        glances = [(offset, g) for offset, g in results if isinstance(g, Glance)]
        return locate([offset for offset, _ in results], values, half_width), glances

    def _lock(self, peak: Location, glances: Sequence[tuple[float, Glance]], lp_mm: float) -> Locked:
        sharpest = max((glance for _, glance in glances), key=lambda glance: glance.modulation)
        # One station beyond the span, so that the blurriest picture of the sweep has room in the window.
        within = (SPAN_HWHM + 2.0 * STEP_HWHM) * peak.hwhm_um
        others = [glance for offset, glance in glances if abs(offset - peak.peak_um) <= within]
        return self._detector.lock(sharpest, others, lp_mm)

    def _require_light(
        self,
        glances: Sequence[tuple[float, Glance]],
        peak: Location,
        span: float,
        step: float,
        repeats: int,
        half_width: float,
    ) -> None:
        """Refuse a sweep that could not be sure enough, from what the pictures predict and never from the fit."""
        sharpest = max((glance for _, glance in glances), key=lambda glance: glance.modulation)
        noise = sharpest.u / sharpest.modulation
        inside = repeats * min(2.1 * half_width, span) / step
        ratio = peak.hwhm_um / half_width
        predicted = predicted_U_um(noise, inside, half_width, hwhm_ratio=ratio)
        if predicted > TOO_LITTLE_LIGHT * half_width:
            raise Refused(
                "not_found",
                f"Too little light: best focus would be known to {predicted:.1f} um only, with {inside:.0f} readings.",
                advice="More light, longer exposures, or more repeats.",
                data={"predicted_U_um": predicted, "noise": noise, "inside": inside},
            )

    # Taking

    async def _go(self, offset: float, gate: Gate) -> float:
        """Drive to an offset, waiting at a closed gate; a stop while it is closed is not the end. Returns the place."""
        while True:
            await gate.passable()
            target = carriage_for_offset(self._keeper.chain, offset)
            if target is None:
                raise Refused("not_driven", "There is no lens in the set-up.", advice="Set it up first.")
            self._keeper.check_depth((self._keeper.chain.nominal_depth_um or 0.0) + offset)
            try:
                return (await self._carriage.go(target, exact=False)).value
            except Stopped:
                if not gate.closed:
                    raise

    async def _take(self, offset: float, gate: Gate) -> _Taken:
        while True:
            before = await self._go(offset, gate)
            stops = self._carriage.stops
            frame = await self._detector.camera.grab()
            after = (await self._carriage.read()).value
            if self._carriage.stops == stops and not gate.closed:
                break
        place = 0.5 * (before + after)
        return _Taken(frame, place, offset_um(self._keeper.chain, place) or 0.0)

    async def _take_all(
        self,
        stations: Sequence[Station],
        locked: Locked,
        data: SweepData,
        run: RunRecord,
        gate: Gate,
        progress: Progress,
    ) -> None:
        under_way: asyncio.Task[None] | None = None
        try:
            for count, station in enumerate(stations):
                taken = await self._take(station.offset_um, gate)
                if under_way is not None:
                    await under_way
                work = self._finish(taken, station, locked, data, run, gate)
                under_way = asyncio.create_task(work, name="reading")
                progress(count + 1, len(stations))
            if under_way is not None:
                await under_way
        finally:
            # What was exposed is finished and kept even when the sweep is broken off; a full disk is not waited for.
            if under_way is not None and not under_way.done():
                _, late = await asyncio.wait({under_way}, timeout=FINISH_S)
                for task in late:
                    task.cancel()

    async def _finish(
        self, taken: _Taken, station: Station, locked: Locked, data: SweepData, run: RunRecord, gate: Gate
    ) -> None:
        idx = run.next_index()
        measured = await self._detector.measure(taken.frame, locked)
        rows: list[ReadingRow] = []
        for channel in ("v", "h"):
            value, u = (None, None) if isinstance(measured, Unusable) else getattr(measured, channel)
            rows.append(
                ReadingRow(
                    run=run.id,
                    idx=idx,
                    t_utc=taken.frame.t_utc,
                    t_mono=taken.frame.t_mono,
                    offset_um=taken.offset_um,
                    carriage_um=taken.carriage_um,
                    device=self._detector.name,
                    channel=f"edge.{channel}",
                    value=value,
                    unit="1",
                    quality="bad" if value is None else "good",
                    u=u,
                )
            )
        await self._keep(rows, gate)
        for row in rows:
            self._notices.tell("reading", row.as_json())
        if isinstance(measured, Unusable):
            data.refused += 1
            if data.refused > max(5, len(data.points)):
                raise BenchdError("not_found", measured.text, advice="Look at the picture; check light and target.")
            return
        data.points.append(
            SweepPoint(
                idx, taken.offset_um, taken.carriage_um, taken.frame.t_mono, station.repeat, measured.v, measured.h
            )
        )

    async def _keep(self, rows: Sequence[ReadingRow], gate: Gate) -> None:
        """Into the record. A full disk pauses the run; the reading is kept when somebody resumes with room."""
        while True:
            try:
                await self._store.add_readings(rows)
                return
            except BenchdError as error:
                if error.code != "disk_full":
                    raise
                gate.hold(error)
                await gate.opened()
