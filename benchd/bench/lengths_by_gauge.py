"""Lengths by gauge: what the readings of a run say of absolute zero or of an adapter, by the records there are."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from benchd.assessments.finding import Finding
from benchd.bench.asked_for import of_ring
from benchd.bench.bench import Bench
from benchd.bench.bounded_terms import abbe_u_um
from benchd.bench.gauge_moved import sign_of
from benchd.bench.nothing_passes import as_lines
from benchd.bench.position_terms import POSITION_UNKNOWN, ScaleRecord, place_terms, position_notes
from benchd.bench.run_record import RunRecord
from benchd.devices import Gauge, GaugeSpec
from benchd.errors import Refused
from benchd.files.artefacts import Reference, full_thickness_mm
from benchd.files.bench_file import BenchFile
from benchd.records.values import ReadingRow

if TYPE_CHECKING:
    from benchd.assessments.gauge_readings import Comparator, Known

TIPPING_NOT_STATED = (
    "That the carriage tips on its way is taken as zero, without an uncertainty: write `abbe` in the bench file."
)
MOVED = "moved"
"""The name under which a run keeps what the indicator reads after the carriage was moved under its tip."""


class LengthsByGauge:
    """The assessments `bench_zero` and `adapter_length`."""

    def __init__(self, bench: Bench, version: str) -> None:
        self._bench = bench
        self._version = version

    async def bench_zero(self, run: RunRecord, of: str | None) -> Finding:
        """From readings on the setting ring and on the base face. Raises Refused (bad_request, not_found)."""
        from benchd.assessments import gauge_readings as gauge

        bench = self._bench
        known = ring_of(bench.loaded.records.reference(str(of)))
        base = bench.file.base
        pairs = self._pairs(run, "on_ring", "on_base")
        own = gauge.Known(base.given.length_um, base.given.u_um, base.alpha_per_K, "bench file")
        cover = cover_of(bench.file)
        work = (pairs, known, own, base.calibration, self._comparator(), self._thermal(), self._about(run), cover)
        return as_stated(bench.scale, await bench.analysis.run(gauge.bench_zero, *work))

    async def adapter_length(self, run: RunRecord, of: str | None) -> Finding:
        """From readings on the base face and on the adapter's upper seat. Raises Refused (not_found)."""
        from benchd.assessments import gauge_readings as gauge

        adapter = self._bench.loaded.records.adapter(str(of))
        given = adapter.given
        known = gauge.Known(given.length_um, given.u_um, adapter.material.alpha_per_K, "record")
        pairs = self._pairs(run, "on_base", "on_adapter")
        work = (pairs, known, adapter.id, self._comparator(), self._thermal(), self._about(run))
        found = as_stated(self._bench.scale, await self._bench.analysis.run(gauge.adapter_length, *work))
        if self._bench.file.abbe is not None:
            return found
        return found.model_copy(update={"notes": [*found.notes, TIPPING_NOT_STATED]})

    def _pairs(self, run: RunRecord, first: str, second: str) -> list[Any]:
        from benchd.assessments.gauge_readings import Pair

        one, other = run.named.get(first, []), run.named.get(second, [])
        if len(one) != len(other) or len(one) < 2:
            raise Refused("not_found", f"The run holds {len(one)} readings '{first}' and {len(other)} '{second}'.")
        if not run.named.get(MOVED):
            raise Refused(
                "not_found",
                "Nothing shows which way the indicator counts.",
                advice=f"With its tip on the target, move the carriage by a known way and read again as {MOVED}, with "
                "`moved_from`, as the shipped procedures do.",
            )
        sign = sign_of(self._bench.assembly.named("indicator", Gauge).spec)
        return [
            Pair(sign * _value(a), a.carriage_um or 0.0, sign * _value(b), b.carriage_um or 0.0)
            for a, b in zip(one, other, strict=True)
        ]

    def _comparator(self) -> Comparator:
        stated = comparator_of(self._bench.assembly.named("indicator", Gauge).spec, self._bench.scale)
        file = self._bench.file
        return replace(stated, u_seat_um=file.joint.u_um, u_abbe_um=abbe_u_um(file) or 0.0)

    def _thermal(self) -> Any:
        from benchd.assessments.gauge_readings import Thermal

        now = self._bench.setup.temperature
        return Thermal(now.at_C, now.u_K)

    def _about(self, run: RunRecord) -> Any:
        from benchd.assessments.gauge_readings import About

        return About(
            run=run.id,
            setup=self._bench.setup.document.rev,
            at=self._bench.clock.utc(),
            version=self._version,
            indices=(0, run.last_index),
            temperature_source=self._bench.setup.temperature.source,
        )


def comparator_of(gauge: GaugeSpec, scale: ScaleRecord | None) -> Comparator:
    """What is stated of the gauge and of the carriage's position, as the assessments take it."""
    from benchd.assessments.gauge_readings import Comparator

    # A gauge in the role states both; a bench without a scale's record gets a relative finding, `as_stated`.
    return Comparator(
        resolution_um=gauge.resolution_um,
        hysteresis_um=gauge.hysteresis_um or 0.0,
        u_gain=gauge.u_gain or 0.0,
        u_scale=scale.u_scale if scale else 0.0,
        subdivision_um=scale.subdivision_um if scale and not scale.by_steps else 0.0,
        alpha_scale=scale.alpha_per_K if scale else None,
        at_a_place=as_lines(place_terms(scale)) if scale and scale.by_steps else (),
    )


def as_stated(scale: ScaleRecord | None, finding: Finding) -> Finding:
    """With a note of what nobody stated of the carriage's position; relative where that is all of it, as its lines
    are then missing."""
    update: dict[str, Any] = {"notes": [*finding.notes, *position_notes(scale)]}
    if scale is None:
        update |= {"absolute": False, "why_relative": [*finding.why_relative, POSITION_UNKNOWN]}
    return finding.model_copy(update=update)


def ring_of(ring: Reference) -> Known:
    """A setting ring as its record gives it. Raises Refused (bad_request) for another kind of reference."""
    from benchd.assessments.gauge_readings import Known

    given, material = of_ring(ring)
    source = f"{ring.id}, {given.by or 'record'}"
    return Known(given.length_um, given.u_um, material.alpha_per_K, source, given.at_C, given.dof)


def cover_of(bench_file: BenchFile) -> Known | None:
    """From the face of the plates over the target, on which a gauge's tip rests, to the target; None without any."""
    from benchd.assessments.gauge_readings import Known

    target = bench_file.target
    if not target.cover:
        return None
    thickness = 1000.0 * full_thickness_mm(target.cover)
    u = 1000.0 * math.hypot(*(layer.u_mm for layer in target.cover))
    return Known(thickness, u, None, f"target {target.id}, bench file")


def _value(row: ReadingRow) -> float:
    if row.value is None:
        raise Refused("not_found", f"Reading {row.idx} of {row.run} has no value.", advice="Take it again.")
    return row.value
