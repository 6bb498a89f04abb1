"""How long is an adapter: by the bench's indicator, on the base face and on the adapter's upper seat."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.questions.length_words import LENGTH_VALUES
from benchd.questions.question import Question

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.questions.evidence import Evidence


class AdapterLength(Question):
    """From readings on the base face and on the adapter, and one that shows which way the indicator counts."""

    name = "adapter_length"
    target = "carried"
    asks = "How long is an adapter?"
    of = "adapter"
    readings = ("on_base", "on_adapter", "moved")
    values = LENGTH_VALUES
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.questions import gauge_inputs as gathered
        from benchd.questions.adapter_length.assessment import adapter_length
        from benchd.questions.comparator import Known

        adapter = evidence.records.adapter(str(of))
        given = adapter.given
        found = adapter_length(
            gathered.remount_pairs(evidence, "on_base", "on_adapter"),
            Known(given.length_um, given.u_um, adapter.material.alpha_per_K, "record"),
            adapter.id,
            gathered.stated_comparator(evidence),
            gathered.thermal_state(evidence),
            gathered.about(evidence),
        )
        found = gathered.note_unstated_position(evidence.scale, found)
        if evidence.file.abbe is not None:
            return found
        return found.model_copy(update={"notes": [*found.notes, gathered.TIPPING_NOT_STATED]})
