"""Did other shims under a lens move its focus by what they are thick?"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from benchd.errors import Refused
from benchd.questions.question import Question
from benchd.questions.wording import Doc, Named

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.questions.evidence import Evidence

FLANGE = "flange"


class ShimProof(Question):
    """From the sweeps of the run at the set-up in force, and the last `flange` finding of the lens before it."""

    name = "shim_proof"
    asks = "Did other shims under the lens move its focus by what they are thick?"
    sweeps = 1
    at_set_up = True
    looks_back = FLANGE
    values: ClassVar = {
        "change": Named("Focus moved by"),
        "expected": Named("Expected by the shims"),
        "unexplained": Named("Unexplained"),
        "before": Named("Focus error before"),
        "after": Named("Focus error after"),
    }

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.questions.flange import Flange
        from benchd.questions.shim_proof.assessment import ProofInput, assess

        before = evidence.earlier
        if before is None:
            raise Refused(
                "not_found",
                "There is no earlier finding of this lens to hold it against.",
                advice="Check the lens before its shims are changed.",
            )
        after = Flange().answer(evidence, None).as_json()
        setup = evidence.setup.model_dump(mode="json")
        lens = evidence.records.lens(str(evidence.setup.lens))
        given = ProofInput(
            head=evidence.head(self.name),
            before=before.finding,
            after=after,
            changed=_changed(before.setup, setup, before.finding, after),
            seats=len(evidence.setup.adapters) + 1,
            fitted_um=lens.shims_fitted_um,
        )
        return assess(given)

    def said(self, doc: Doc) -> str:
        from benchd.reports.numbers import number

        change, expected, left = (doc["values"][key] for key in ("change", "expected", "unexplained"))
        told = f"Best focus moved by {number(change['value'], 1, sign=True)} µm"
        if expected["value"] is None:
            return f"{told}."
        agrees = "as they should" if abs(left["value"]) <= left["U"] else "which they do not explain"
        return f"{told}, and the shims account for {number(expected['value'], 1, sign=True)} µm: {agrees}."


COMPARED = ("adapters", "glass", "ring", "distance_mm", "m", "f_number", "light_nm", "support")


def _changed(before: Doc, after: Doc, then: Doc, now: Doc) -> tuple[str, ...]:
    """What of the set-up, or of the calibrations that it was counted with, is not what it was."""
    changed = [key for key in COMPARED if before.get(key) != after.get(key)]
    if then["calibrations"] != now["calibrations"]:
        changed.append("calibrations")
    return tuple(changed)
