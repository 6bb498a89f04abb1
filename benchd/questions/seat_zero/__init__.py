"""Where is absolute zero on the seat of adapters: by a setting ring, with those on the bench that will be used."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.errors import Refused
from benchd.questions.length_words import LENGTH_VALUES
from benchd.questions.question import Question

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.questions.evidence import Evidence


class SeatZero(Question):
    """From readings on the setting ring and on the adapters' upper seat, and one that shows how the gauge counts."""

    name = "seat_zero"
    target = "carried"
    asks = "Where is absolute zero on the seat of these adapters: how far is the target from it?"
    of = "setting_ring"
    readings = ("let_down_on_ring", "set_on_seat", "moved", "on_seat")
    values = LENGTH_VALUES
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.bench.datum.routes import seat_artefact
        from benchd.questions import gauge_inputs as gathered
        from benchd.questions.bench_zero import ring_of
        from benchd.questions.bench_zero.assessment import bench_zero
        from benchd.questions.comparator import Known

        stack = [evidence.records.adapter(name) for name in evidence.setup.adapters]
        if not stack:
            raise Refused(
                "bad_request",
                "No adapter is in the set-up: there is no seat but the base face.",
                advice="State the adapters, or run `bench_zero`.",
            )
        base = evidence.file.base
        adapters = [
            Known(one.given.length_um, one.given.u_um, one.material.alpha_per_K, f"record {one.id}") for one in stack
        ]
        pairs, gauge = gathered.zero_pairs(evidence, "seat")
        found = bench_zero(
            pairs,
            ring_of(evidence.records.reference(str(of))),
            Known(base.given.length_um, base.given.u_um, base.alpha_per_K, "bench file"),
            seat_artefact(evidence.file, evidence.setup.adapters),
            gauge,
            gathered.thermal_state(evidence),
            gathered.about(evidence),
            gathered.cover_length(evidence.file),
            assessment=self.name,
            adapters=adapters,
        )
        return gathered.note_unstated_position(evidence.scale, found)
