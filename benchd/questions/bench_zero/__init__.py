"""Where is absolute zero: from the base face to the target, by a setting ring and an indicator on its bridge."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.errors import Refused
from benchd.questions.length_words import LENGTH_VALUES
from benchd.questions.question import Question

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.files.artefacts import Reference
    from benchd.questions.comparator import Known
    from benchd.questions.evidence import Evidence


class BenchZero(Question):
    """From readings on the setting ring and on the base face, and one that shows which way the indicator counts."""

    name = "bench_zero"
    target = "carried"
    asks = "Where is absolute zero: how far is the target from the base face?"
    of = "setting_ring"
    readings = ("let_down_on_ring", "set_on_base", "moved", "on_base")
    values = LENGTH_VALUES
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.questions import gauge_inputs as gathered
        from benchd.questions.bench_zero.assessment import bench_zero
        from benchd.questions.comparator import Known

        base = evidence.file.base
        pairs, gauge = gathered.zero_pairs(evidence, "base")
        found = bench_zero(
            pairs,
            ring_of(evidence.records.reference(str(of))),
            Known(base.given.length_um, base.given.u_um, base.alpha_per_K, "bench file"),
            base.calibration,
            gauge,
            gathered.thermal_state(evidence),
            gathered.about(evidence),
            gathered.cover_length(evidence.file),
        )
        return gathered.note_unstated_position(evidence.scale, found)


def ring_of(ring: Reference) -> Known:
    """A setting ring as its record gives it. Raises Refused (bad_request) for another kind of reference."""
    from benchd.questions.comparator import Known

    if ring.given is None or ring.material is None:
        raise Refused("bad_request", f"Reference {ring.id} is a {ring.kind}.", advice="Name a setting_ring.")
    source = f"{ring.id}, {ring.given.by or 'record'}"
    given = ring.given
    return Known(given.length_um, given.u_um, ring.material.alpha_per_K, source, given.at_C, given.dof)
