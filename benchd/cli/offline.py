"""A view of a bench from its files and its record, without a daemon."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from datetime import UTC, datetime
from typing import Any

from benchd.arrangements.registry import arrangement_of
from benchd.arrangements.setup_document import SETTABLE, SetupDocument, apply, first_setup
from benchd.bench.analysis import Analysis
from benchd.bench.assembly import Assembly
from benchd.bench.datum.artefacts import means_something
from benchd.bench.datum.calibration import in_force
from benchd.bench.datum.chain import CalibrationInForce, Chain, datum_chain, position_record
from benchd.bench.datum.clearance import clearance
from benchd.bench.datum.wall_distance import carry_over
from benchd.bench.motion.figures import MotionFigures
from benchd.bench.motion.trust import NOT_YET
from benchd.detectors.available import available_detectors
from benchd.devices import Axis, Clock, Encoder
from benchd.errors import BenchdError, Refused
from benchd.files.loading import LoadedBench
from benchd.procedures import record_facts
from benchd.procedures.inputs import Known
from benchd.records.reader import Reader
from benchd.verbs.view import BenchView, SetupPlaces, Where
from benchd.verbs.view_of_bench import add_carriage_motion, places_of_setup, view_without_motion


class Offline:
    """A bench that is not running: taken as not homed, not driven, with the carriage at the low end.

    Calibrations and set-up are those of its record, if it can be read.
    """

    def __init__(self, loaded: LoadedBench, assembly: Assembly) -> None:
        self._loaded = loaded
        self._assembly = assembly
        self._calibrations: dict[str, CalibrationInForce] = {}
        self._setup: SetupDocument = first_setup(loaded.file)
        self.notes: list[str] = []
        with ExitStack() as stack:
            try:
                reader = stack.enter_context(Reader.open(loaded.file.store.url, loaded.folder))
            except BenchdError as none:
                self.notes.append(f"Without the record: {none.text}")
            else:
                self._read(reader)
        encoder = assembly.in_role("position", Encoder)
        self._scale = position_record(loaded.file, None if encoder is None else encoder.spec)

    def _read(self, reader: Reader) -> None:
        now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        own = arrangement_of(self._loaded.file).calibrated_in
        for artefact, row in reader.calibrations_in_force(now, withdrawn=True).items():
            found = in_force(row, None if row.finding is None else reader.finding(row.finding), own)
            if found is not None:
                self._calibrations[artefact] = found
        last = reader.setup()
        if last is None:
            return
        stated = {key: value for key, value in last.doc.items() if key in SETTABLE}
        try:
            self._setup = apply(self._setup, stated, self._loaded.records, self._loaded.file)
        except Refused as gone:
            self.notes.append(f"Without the last set-up: {gone.text}")

    def known(self) -> Known:
        """The ids of all records, by kind."""
        return record_facts.known(self._loaded.records)

    def facts(self, kind: str, name: str) -> Mapping[str, Any]:
        """Figures of a record; a length by its calibration where one is in force. Raises Refused."""
        return record_facts.facts(self._loaded, self._calibrations.get, kind, name)

    def figures(self) -> BenchView:
        """Speeds, settling, what is there, and where set-ups put nominal. Raises Refused without a carriage."""
        spec = self._assembly.named("carriage", Axis).spec
        # The shift of the motor's zero from the encoder's is known only after homing.
        has_encoder = self._assembly.in_role("position", Encoder) is not None
        motion = MotionFigures(spec.top_speed)
        view = view_without_motion(
            self._assembly,
            self._loaded.records,
            arrangement_of(self._loaded.file),
            available_detectors(self._assembly, self._loaded.file.target, Analysis(), Clock()),
            calibrations={name for name, one in self._calibrations.items() if not one.withdrawn},
            homed=False,
            stale=True,
            carriage_um=spec.low,
            where=self._where_from(self._setup, self._chain(self._setup)),
            not_homed_why=NOT_YET,
            target=self._loaded.file.target,
            counts_with=self._counts_with,
        )
        limits_um = (spec.low, spec.high) if has_encoder else motion.limits_um(spec, None)
        return add_carriage_motion(
            view, self._assembly, settle_ms=self._loaded.file.motion.settle_ms, limits_um=limits_um
        )

    def _counts_with(self, artefact: str) -> bool:
        file, records = self._loaded.file, self._loaded.records
        return means_something(artefact, file, records, arrangement_of(file).calibrated_in)

    def _chain(self, setup: SetupDocument) -> Chain:
        return datum_chain(self._loaded.file, self._loaded.records, setup, self._calibrations, self._scale)

    def _where_from(self, document: SetupDocument, chain: Chain) -> Where:
        def where(changes: Mapping[str, Any]) -> SetupPlaces:
            records, file = self._loaded.records, self._loaded.file
            setup = apply(document, changes, records, file)
            setup = carry_over(document, chain, setup, self._chain, changes, records)
            now = self._chain(setup)
            return places_of_setup(records, setup, now, clearance(file, records, setup), self._where_from(setup, now))

        return where
