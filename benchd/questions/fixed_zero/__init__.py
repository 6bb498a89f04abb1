"""Where is absolute zero of a bench whose sensor stands fixed: by a setting ring and an indicator on its bridge.

As `bench_zero` has it, with no carriage in it: what moves here is before the lens, and leaves the indicator alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

from benchd.questions.length_words import LENGTH_VALUES
from benchd.questions.question import Question

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.questions.comparator import Comparator
    from benchd.questions.evidence import Evidence

SENSE_AS_STATED = (
    "Nothing on this bench moves under the indicator's tip: which way its reading grows is taken from `grows` in the "
    "bench file, and from whoever pushed the tip in by hand."
)


def without_carriage(gauge: Comparator) -> Comparator:
    """What is stated of the gauge alone."""
    return replace(gauge, u_scale=0.0, subdivision_um=0.0, alpha_scale=None, at_a_place=())


class FixedZero(Question):
    """From readings on the setting ring and on the base face."""

    name = "fixed_zero"
    target = "fixed"
    asks = "Where is absolute zero: how far is the fixed sensor from the base face?"
    of = "setting_ring"
    readings = ("on_ring", "on_base")
    values: ClassVar = {"length": LENGTH_VALUES["length"]}
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.questions import gauge_inputs as gathered
        from benchd.questions.bench_zero import ring_of
        from benchd.questions.bench_zero.assessment import bench_zero
        from benchd.questions.comparator import Known

        base, gauge = evidence.file.base, gathered.stated_comparator(evidence)
        pairs = gathered.remount_pairs(evidence, "on_ring", "on_base", moved=False)
        found = bench_zero(
            [replace(pair, first_carriage_um=0.0, second_carriage_um=0.0) for pair in pairs],
            ring_of(evidence.records.reference(str(of))),
            Known(base.given.length_um, base.given.u_um, base.alpha_per_K, "bench file"),
            base.calibration,
            without_carriage(gauge),
            gathered.thermal_state(evidence),
            gathered.about(evidence),
            gathered.cover_length(evidence.file),
            assessment=self.name,
        )
        stood_nowhere = {
            "values": {"length": found.values["length"]},
            "calibrates": [one.model_copy(update={"carriage_um": None}) for one in found.calibrates],
        }
        return found.model_copy(update={**stood_nowhere, "notes": [*found.notes, SENSE_AS_STATED]})
