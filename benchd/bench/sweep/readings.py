"""What a sweep's captures become: measured, kept as readings and published, and the points of the sweep."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.assessments.sampling_positions import Station
from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.gate import Gate
from benchd.bench.notices import Notices
from benchd.bench.run_record import RunRecord, keep_and_publish
from benchd.bench.sweep.captures import PlacedCapture
from benchd.bench.sweep.coarse_scan import HEAD_START_S
from benchd.bench.sweep.pass_through import Placed, batched
from benchd.bench.sweep.sweep_data import SweepData, SweepPoint
from benchd.detectors.detector import Detector
from benchd.detectors.values import Capture, Measured, Unusable
from benchd.devices import Clock
from benchd.errors import BenchdError
from benchd.records.store import Store
from benchd.records.values import ReadingRow

CAPTURES_AT_ONCE = 20
"""Captures of a pass whose readings are kept together and then published."""


class Readings:
    """Of the sweeps taken with one detector."""

    def __init__(self, detector: Detector, keeper: CurrentSetup, store: Store, notices: Notices, clock: Clock) -> None:
        self._detector = detector
        self._keeper = keeper
        self._store = store
        self._notices = notices
        self._clock = clock

    async def of_station(
        self, taken: PlacedCapture, station: Station, data: SweepData, run: RunRecord, gate: Gate
    ) -> None:
        """Measure and keep a capture while the carriage moves on; where it was measured, `data` gets its point."""
        detector, capture = self._detector, taken.capture
        idx = run.next_index()
        await self._clock.sleep(HEAD_START_S)
        measured = await detector.measure(capture)
        usable = None if isinstance(measured, Unusable) else measured
        await self._keep_and_publish(self._rows(idx, capture, taken.offset_um, taken.carriage_um, usable, run), gate)
        if isinstance(measured, Unusable):
            self._note_refused(measured, data)
            return
        self._note_measured(measured, data)
        channels = {channel: measured.values[channel] for channel in detector.channels}
        data.points.append(
            SweepPoint(idx, taken.offset_um, taken.carriage_um, capture.t_mono, station.repeat, channels)
        )

    async def of_passes(self, places: Sequence[Placed], data: SweepData, run: RunRecord, gate: Gate) -> None:
        """Keep the readings of passes, in the order taken; `data` gets their points."""
        for some in batched(places, CAPTURES_AT_ONCE):
            rows: list[ReadingRow] = []
            points: list[SweepPoint] = []
            for placed in some:
                rows += self._reading(placed, data, run, points)
            await self._keep_and_publish(rows, gate)
            data.points += points

    def _reading(self, placed: Placed, data: SweepData, run: RunRecord, points: list[SweepPoint]) -> list[ReadingRow]:
        """The rows of one capture of a pass; where it was measured, its point is added to `points`."""
        idx, capture, measured = run.next_index(), placed.streamed.capture, placed.streamed.measured
        if isinstance(measured, Unusable):
            self._note_refused(measured, data)
            return self._rows(idx, capture, None, None, None, run)
        offset = self._keeper.chain.places.offset_um(placed.carriage_um) or 0.0
        self._note_measured(measured, data)
        channels = {channel: measured.values[channel] for channel in self._detector.channels}
        points.append(SweepPoint(idx, offset, placed.carriage_um, capture.t_mono, placed.repeat, channels))
        return self._rows(idx, capture, offset, placed.carriage_um, measured, run)

    def _rows(
        self,
        idx: int,
        capture: Capture,
        offset_um: float | None,
        carriage_um: float | None,
        measured: Measured | None,
        run: RunRecord,
    ) -> list[ReadingRow]:
        """One row a channel; of bad quality, without a value, where it could not be measured."""
        rows: list[ReadingRow] = []
        for channel in self._detector.channels:
            value, u = (None, None) if measured is None else measured.values[channel]
            rows.append(
                ReadingRow(
                    run=run.id,
                    idx=idx,
                    t_utc=capture.t_utc,
                    t_mono=capture.t_mono,
                    offset_um=offset_um,
                    carriage_um=carriage_um,
                    device=self._detector.gear.name,
                    channel=f"{self._detector.name}.{channel}",
                    value=value,
                    unit=self._detector.unit,
                    quality="bad" if value is None else "good",
                    u=u,
                )
            )
        return rows

    @staticmethod
    def _note_refused(measured: Unusable, data: SweepData) -> None:
        """Count it; raises BenchdError('not_found') where too many are refused."""
        data.refused += 1
        data.first_refusal = data.first_refusal or measured.text
        if data.refused > max(5, len(data.points)):
            raise BenchdError("not_found", measured.text, advice=measured.advice)

    @staticmethod
    def _note_measured(measured: Measured, data: SweepData) -> None:
        data.linear = data.linear and measured.linear
        if measured.brightness is not None:
            data.brightness.append(measured.brightness)
        data.flags += measured.flags

    async def _keep_and_publish(self, rows: Sequence[ReadingRow], gate: Gate) -> None:
        """Keep and publish. A full disk pauses the run; the reading is kept after `resume`, once there is space."""
        while True:
            try:
                await keep_and_publish(self._store, self._notices, rows)
                return
            except BenchdError as error:
                if error.code != "disk_full":
                    raise
                gate.hold(error)
                await gate.opened()
