"""What the bench knows: its files, and the calibrations it makes by gauge, through the real assessments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from benchd.arrangements.collimated import COLLIMATOR, Collimated
from benchd.arrangements.registry import arrangement_of
from benchd.arrangements.setup_document import SetupDocument, apply, first_setup
from benchd.assessments.finding import Finding
from benchd.bench.datum.bounded_terms import abbe_u_um
from benchd.bench.datum.chain import CalibrationInForce, Chain, ScaleRecord, datum_chain
from benchd.bench.datum.chain_terms import Shares
from benchd.bench.datum.routes import seat_artefact
from benchd.devices import GaugeSpec
from benchd.files.artefacts import AirGap, Layer
from benchd.files.bench_file import ArrangementEntry, BenchFile
from benchd.files.loading import load_bench
from benchd.files.records_folder import Records
from benchd.questions import comparator as gauge
from benchd.questions.adapter_length.assessment import adapter_length
from benchd.questions.bench_zero import ring_of
from benchd.questions.bench_zero.assessment import bench_zero
from benchd.questions.collimator_zero.assessment import assess, tube_input
from benchd.questions.fixed_zero import without_carriage
from benchd.questions.gauge_inputs import cover_length, make_comparator
from benchd_simulators.world.fitting import REFERENCE_C
from study_better import IN_FILES, bettered
from study_records import ADAPTER, AIR_BEHIND, COVER, GLASS, LENS, RINGS
from study_strata import Doubts, Stratum
from study_world import U_ELSEWHERE_UM, CaseWorld

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
REMOUNTS = 5
TIP_DEPTH_UM = 45000.0
FLAT = "flat-80"
AWAY_UM = 100.0
LOCKED_UM = 200.0
"""How far from the middle of its settings the collimator's tube is locked at the most."""


@dataclass(frozen=True)
class BenchFiles:
    """A bench file, its records, and what they say of the scale and of the gauge."""

    file: BenchFile
    records: Records
    scale: ScaleRecord
    scale_resolution_um: float
    comparator: gauge.Comparator


@lru_cache(maxsize=32)
def files_of(stratum: Stratum) -> BenchFiles:
    """Read from configs/, the lens given the stratum's f-number."""
    loaded = load_bench(CONFIGS / stratum.folder / "bench.yaml")
    records = _records_with(loaded.records, stratum)
    file = _file_with(loaded.file, stratum.doubts)
    if stratum.covered:
        cover = Layer(
            thickness_mm=COVER.thickness_mm.record,
            u_mm=COVER.thickness_mm.u,
            index=COVER.index.record,
            u_index=COVER.index.u,
            at_nm=546,
        )
        gap = AirGap(air_gap_mm=AIR_BEHIND.air_gap_mm.record, u_mm=AIR_BEHIND.air_gap_mm.u)
        stack = (cover, gap) if stratum.air_behind else (cover,)
        file = file.model_copy(update={"target": file.target.model_copy(update={"cover": stack})})
    doubts = stratum.doubts
    own = {**loaded.file.devices["scale"].rest, **_stated(u_scale=doubts.scale)}
    dial = {
        **loaded.file.devices["dial"].rest,
        **_stated(u_gain=doubts.gain, hysteresis_um=doubts.hysteresis_um),
    }
    scale = ScaleRecord(
        float(own["u_scale"]), float(own["subdivision_um"]), float(own["alpha_per_K"]),
        period_um=float(own["period_um"]) if stratum.period_stated else None,
    )  # fmt: skip
    low_um, high_um = dial["range_um"]
    spec = GaugeSpec(
        low_um=float(low_um),
        high_um=float(high_um),
        resolution_um=float(dial["resolution_um"]),
        hysteresis_um=float(dial["hysteresis_um"]),
        u_gain=float(dial["u_gain"]),
    )
    comparator = replace(make_comparator(spec, scale), u_abbe_um=abbe_u_um(file) or 0.0)
    return BenchFiles(file, records, scale, float(own["resolution_um"]), comparator)


def _stated(**values: float | None) -> dict[str, float]:
    return {key: value for key, value in values.items() if value is not None}


def _file_with(file: BenchFile, doubts: Doubts) -> BenchFile:
    """The bench file as it states a stratum's own uncertainties."""
    changes: dict[str, Any] = {}
    assert file.joint.stand_off_um is not None
    assert file.abbe is not None
    assert file.sag is not None
    times = doubts.bounds
    of_joint = {"stand_off_um": times * file.joint.stand_off_um, **_stated(u_um=doubts.joint_um)}
    tips = {"pitch_arcmin": times * file.abbe.pitch_arcmin, "yaw_arcmin": times * file.abbe.yaw_arcmin}
    changes["joint"] = file.joint.model_copy(update=of_joint)
    changes["abbe"] = file.abbe.model_copy(update=tips)
    changes["sag"] = file.sag.model_copy(update={"most_um_per_N": times * file.sag.most_um_per_N})
    if doubts.vergence_per_m is not None and "u_vergence_per_m" in file.arrangement.rest:
        stated = {**file.arrangement.rest, "kind": file.arrangement.kind, "u_vergence_per_m": doubts.vergence_per_m}
        changes["arrangement"] = ArrangementEntry.model_validate(stated)
    if doubts.thermometer_K is not None:
        changes["set_up"] = file.set_up.model_copy(update={"u_temperature_K": doubts.thermometer_K})
    return file.model_copy(update=changes)


def _records_with(records: Records, stratum: Stratum) -> Records:
    """Lens, plate and setting ring as a stratum has them; a ring's length is what it is at its certificate's warmth."""
    doubts = stratum.doubts
    lens = records.lens(LENS).model_copy(update={"f_number": stratum.f_number})
    name = RINGS[stratum.fixed]
    pane, ring = records.glass(GLASS), records.reference(name)
    (layer,) = pane.layers
    layer = layer.model_copy(update=_stated(u_mm=doubts.plate_mm, u_index=doubts.plate_index))
    assert ring.given is not None
    assert ring.material is not None
    grown = 1.0 + ring.material.alpha_per_K * (doubts.ring_at_C - REFERENCE_C)
    of_ring = {"length_um": ring.given.length_um * grown, "at_C": doubts.ring_at_C, **_stated(u_um=doubts.ring_um)}
    ring = ring.model_copy(update={"given": ring.given.model_copy(update=of_ring)})
    adapter = records.adapter(ADAPTER)
    points = tuple(doubts.bounds * point for point in adapter.given.points_um)
    adapter = adapter.model_copy(update={"given": adapter.given.model_copy(update={"points_um": points})})
    return Records(
        {**records.adapters, ADAPTER: adapter},
        {**records.glasses, GLASS: pane.model_copy(update={"layers": (layer,)})},
        {**records.references, name: ring},
        {**records.lenses, LENS: lens},
    )


@dataclass(frozen=True)
class InSeat:
    """What of the adapter's own joint, dirt and wedge is in the zero that was found on its seat (um)."""

    joints: float = 0.0
    stand_offs: float = 0.0
    wedge: float = 0.0


class CaseBench:
    """The bench of one case: set-up, chain, calibrations in force. `findings` are those of the calibrations.

    `apart_um` is what the gauge read between the two places of each, on the mean.
    """

    def __init__(self, world: CaseWorld) -> None:
        self.world = world
        stratum = world.stratum
        self.files = bettered(files_of(replace(stratum, better=None)), IN_FILES, stratum.better)
        self.in_force: dict[str, CalibrationInForce] = {}
        self.apart_um: dict[str, float] = {}
        self.findings: dict[str, Finding] = {}
        self.document: SetupDocument = first_setup(self.files.file)
        self.in_seat = InSeat()

    def set_up(self, **changes: Any) -> Chain:
        """Change the set-up; gives the chain with the calibrations in force."""
        self.document = apply(self.document, changes, self.files.records, self.files.file)
        return self.chain()

    def chain(self) -> Chain:
        return datum_chain(self.files.file, self.files.records, self.document, self.in_force, self.files.scale)

    def calibrate_base(self) -> None:
        """Absolute zero from the setting ring, with as many remountings as the procedure asks for at the least."""
        world, file = self.world, self.files.file
        fixed = world.stratum.fixed
        ring = self.files.records.reference(RINGS[fixed])
        assert ring.given is not None
        over = cover_length(file)
        reach_um = ring.given.length_um + (over.length_um if over else 0.0)
        chain = self.set_up(temperature_C=world.new_day("base"))
        if fixed:
            pairs, comparator = self._unmoved()
        else:
            pairs, comparator = self._on_ring_and_face(chain.places.carriage_for_depth(reach_um), REMOUNTS)
        known = ring_of(ring)
        base = gauge.Known(file.base.given.length_um, file.base.given.u_um, file.base.alpha_per_K, "bench file")
        artefact = file.base.calibration
        found = bench_zero(pairs, known, base, artefact, comparator, self._thermal(), _about(), over)
        self._accept(artefact, found, pairs)

    def calibrate_adapter(self) -> None:
        """The adapter's length, bridge on the base face and on the adapter's upper seat in turn."""
        world = self.world
        if world.stratum.fixed:
            self.in_force[ADAPTER] = CalibrationInForce("cal-9", ADAPTER, world.measured_elsewhere_um(), U_ELSEWHERE_UM)
            return
        adapter = self.files.records.adapter(ADAPTER)
        typed = world.new_day("adapter")
        over = cover_length(self.files.file)
        reach_um = TIP_DEPTH_UM + (over.length_um if over else 0.0)
        pairs = []
        bare, chain = self.set_up(temperature_C=typed, adapters=[]), self.set_up(adapters=[ADAPTER])
        for _ in range(REMOUNTS):
            carriage = world.drive(bare.places.carriage_for_depth(reach_um))
            on_base = world.gauge_um(on_ring=False)
            world.fitting.fit_adapter(ADAPTER)
            other = world.drive(chain.places.carriage_for_depth(reach_um))
            pairs.append(gauge.Pair(on_base, carriage, world.gauge_um(on_ring=False), other))
            world.fitting.remove_adapter(ADAPTER)
        given = adapter.given
        known = gauge.Known(given.length_um, given.u_um, adapter.material.alpha_per_K, "record")
        found = adapter_length(pairs, known, ADAPTER, self.files.comparator, self._thermal(), _about())
        self._accept(ADAPTER, found, pairs)

    def calibrate_seat(self) -> None:
        """Absolute zero on the seat of the adapter, which stays where it is from then on.

        Carefully it is found again once it is in force: the indicator reads the same on ring and seat then, so that its
        gain does not matter.
        """
        world = self.world
        world.fitting.fit_adapter(ADAPTER)
        fitting = world.fitting
        joints, stand_offs = sum(fitting.joints), sum(fitting.stand_offs)
        self.in_seat = InSeat(joints, stand_offs, fitting.gives_um() - joints - stand_offs - fitting.sag_um())
        self._find_seat("seat", REMOUNTS)
        if world.stratum.carefully:
            self._find_seat("seat again", 2 * REMOUNTS)

    def _find_seat(self, day: str, remounts: int) -> None:
        world, file = self.world, self.files.file
        ring = self.files.records.reference(RINGS[False])
        adapter = self.files.records.adapter(ADAPTER)
        assert ring.given is not None
        over = cover_length(file)
        reach_um = ring.given.length_um + (over.length_um if over else 0.0)
        chain = self.set_up(temperature_C=world.new_day(day), adapters=[ADAPTER])
        pairs, comparator = self._on_ring_and_face(chain.places.carriage_for_depth(reach_um), remounts)
        base = gauge.Known(file.base.given.length_um, file.base.given.u_um, file.base.alpha_per_K, "bench file")
        given = adapter.given
        above = gauge.Known(given.length_um, given.u_um, adapter.material.alpha_per_K, "record")
        artefact, thermal = seat_artefact(file, [ADAPTER]), self._thermal()
        found = bench_zero(
            pairs, ring_of(ring), base, artefact, comparator, thermal, _about(), over, "seat_zero", [above]
        )
        self._accept(artefact, found, pairs)

    def _unmoved(self) -> tuple[list[gauge.Pair], gauge.Comparator]:
        """A pair per remounting under a target that stands fixed, the tip as the hand brings it."""
        world = self.world
        pairs = [
            gauge.Pair(world.gauge_um(on_ring=True), 0.0, world.gauge_um(on_ring=False), 0.0) for _ in range(REMOUNTS)
        ]
        return pairs, without_carriage(self.files.comparator)

    def _on_ring_and_face(self, there_um: float, remounts: int) -> tuple[list[gauge.Pair], gauge.Comparator]:
        """A pair per remounting, the tip let down on ring and face, where the carriage goes away and back."""
        world = self.world
        pairs, by_hand = [], []
        for _ in range(remounts):
            on_ring = world.gauge_um(on_ring=True, let_down=True)
            at_first = world.drive(there_um)
            set_down = world.gauge_um(on_ring=False, let_down=True)
            for away_um in (AWAY_UM, -AWAY_UM, 0.0):  # from deeper past the place, and to it from below
                carriage = world.drive(there_um + away_um)
                on_face = world.gauge_again_um(on_ring=False)
            by_hand.append(gauge.Pair(set_down, at_first, on_face, carriage))
            pairs.append(gauge.Pair(on_ring, 0.0, on_face, carriage))
        return pairs, gauge.let_down(self.files.comparator, by_hand)

    def set_collimator(self) -> None:
        """Its tube set by autocollimation and locked, some way off the settings, as often as the procedure asks for."""
        world, arrangement = self.world, arrangement_of(self.files.file)
        assert world.tube is not None
        assert isinstance(arrangement, Collimated)
        typed = world.new_day("collimator")
        self.set_up(temperature_C=typed)
        world.tube.hold(FLAT)
        settings = []
        for _ in range(2 * REMOUNTS if world.stratum.carefully else REMOUNTS):
            world.tube.autocollimate(world.delta_K)
            settings.append(1000.0 * world.tube.read()["tube_mm"])
        off_um = float(world.rng.uniform(-LOCKED_UM, LOCKED_UM))
        world.tube.set_to((sum(settings) / len(settings) + off_um) / 1000.0)
        locked = 1000.0 * world.tube.read()["tube_mm"]
        world.tube.hold("away")
        flat = self.files.records.reference(FLAT)
        thermal = self._thermal()
        inputs = tube_input(
            arrangement.config, flat, head=_head("collimator_zero"), temperature_C=thermal.temperature_C,
            u_temperature_K=thermal.u_K, temperature_source="typed", indices=(0, len(settings)),
        )  # fmt: skip
        found = assess(settings, locked, inputs)
        self.findings[COLLIMATOR] = found
        vergence = found.values["vergence"]
        assert vergence.value is not None
        assert vergence.u is not None
        self.in_force[COLLIMATOR] = CalibrationInForce(
            "cal-7", COLLIMATOR, vergence.value, vergence.u, vergence.dof, found.measurand.reference_C,
            setup=self.document.rev, unit=vergence.unit,
        )  # fmt: skip

    def _thermal(self) -> gauge.Thermal:
        return gauge.Thermal(self.world.typed_C, self.files.file.set_up.u_temperature_K)

    def _accept(self, artefact: str, found: Finding, pairs: Sequence[gauge.Pair]) -> None:
        length, carriage = found.values["length"], found.values["carriage"]
        assert length.value is not None
        assert length.u is not None
        self.findings[artefact] = found
        self.apart_um[artefact] = sum(pair.difference_um for pair in pairs) / len(pairs)
        shares = found.calibrates[0].shares
        assert shares is not None
        number = f"cal-{len(self.findings)}"
        self.in_force[artefact] = CalibrationInForce(
            number, artefact, length.value, length.u, length.dof, found.measurand.reference_C, carriage.value,
            Shares(**shares.model_dump()), setup=self.document.rev,
        )  # fmt: skip


def _head(assessment: str) -> dict[str, Any]:
    return {
        "finding": "", "assessment": assessment, "run": "r-0001", "setup": 1, "lens": None, "job": None,
        "at": "2026-01-01T00:00:00Z", "version": "study",
    }  # fmt: skip


def _about() -> gauge.About:
    return gauge.About(run="r-0001", setup=1, at="2026-01-01T00:00:00Z", version="study", indices=(0, 2 * REMOUNTS - 1))
