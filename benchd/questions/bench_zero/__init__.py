"""Where is absolute zero: from the base face to the target, by a setting ring and an indicator on its bridge."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.errors import Refused
from benchd.questions.length_words import LENGTH_VALUES
from benchd.questions.question import Question

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.files.artefacts import GivenOfReference, Material, Reference
    from benchd.files.records_folder import Records
    from benchd.questions.comparator import Known
    from benchd.questions.evidence import Evidence


class BenchZero(Question):
    """From readings on the setting ring and on the base face, and one that shows which way the indicator counts."""

    name = "bench_zero"
    asks = "Where is absolute zero: how far is the target from the base face?"
    of = "reference"
    readings = ("on_ring", "on_base", "moved")
    values = LENGTH_VALUES
    calibrates = True

    def check_of(self, of: str | None, records: Records | None = None) -> None:
        super().check_of(of, records)
        if records is not None and of is not None:
            _of_ring(records.reference(of))

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.questions import of_gauge as gathered
        from benchd.questions.bench_zero.assessment import bench_zero
        from benchd.questions.comparator import Known

        base = evidence.file.base
        found = bench_zero(
            gathered.pairs_of(evidence, "on_ring", "on_base"),
            ring_of(evidence.records.reference(str(of))),
            Known(base.given.length_um, base.given.u_um, base.alpha_per_K, "bench file"),
            base.calibration,
            gathered.gauge_of(evidence),
            gathered.thermal_of(evidence),
            gathered.about(evidence),
            gathered.cover_of(evidence.file),
        )
        return gathered.as_stated(evidence.scale, found)


def ring_of(ring: Reference) -> Known:
    """A setting ring as its record gives it. Raises Refused (bad_request) for another kind of reference."""
    from benchd.questions.comparator import Known

    given, material = _of_ring(ring)
    source = f"{ring.id}, {given.by or 'record'}"
    return Known(given.length_um, given.u_um, material.alpha_per_K, source, given.at_C, given.dof)


def _of_ring(ring: Reference) -> tuple[GivenOfReference, Material]:
    if ring.kind != "setting_ring" or ring.given is None or ring.material is None:
        raise Refused("bad_request", f"Reference {ring.id} is a {ring.kind}.", advice="Name a setting_ring.")
    return ring.given, ring.material
