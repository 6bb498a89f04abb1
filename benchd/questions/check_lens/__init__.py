"""Does the bench still stand where it stood, by a lens that is kept for that: trusted, drifting, or not."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from benchd.errors import Refused
from benchd.questions.check_lens import words
from benchd.questions.question import Question
from benchd.questions.wording import Doc, Material, Named

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.questions.evidence import Evidence

CHECK_LENS = "check_lens"


class CheckLens(Question):
    """From the sweeps of the run at the set-up in force, and the findings of this name about the lens before it.

    A lens is a check lens by being checked so. `looks_back_over` is a year of mornings: of a longer history the first
    are forgotten, and a note says so.
    """

    name = CHECK_LENS
    asks = "Does the bench still stand where it stood, by a lens that is kept for that?"
    sweeps = 1
    at_set_up = True
    looks_back = CHECK_LENS
    looks_back_over = 250
    values: ClassVar = {
        "departure": Named("From its mean"),
        "focus_error": Named("Focus error"),
        "centre": Named("Mean of the baseline"),
        "low": Named("Lower limit"),
        "high": Named("Upper limit"),
        "average": Named("Average of the last checks"),
        "average_low": Named("Its lower limit"),
        "average_high": Named("Its upper limit"),
        "shims": Named("Shims under it", signed=False),
    }
    drawn = "control chart"

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.questions.check_lens.assessment import CheckInput, assess
        from benchd.questions.check_lens.history import Check, earlier_checks
        from benchd.questions.flange import Flange

        setup = evidence.setup
        if setup.lens is None:
            raise Refused("bad_request", "No lens is in the set-up.", advice="State the check lens.")
        if setup.ring in (None, "free"):
            raise Refused(
                "bad_request",
                "The ring of the check lens is left anywhere: each check would be of another lens.",
                advice="Put it to its stop, to infinity or to a mark, and state that.",
            )
        flange = Flange().answer(evidence, None).as_json()
        fitted_um = evidence.records.lens(setup.lens).shims_fitted_um
        today = Check.of(flange, setup.model_dump(mode="json"), sum(fitted_um))
        before, notes = earlier_checks(evidence.history, today, self.looks_back_over)
        return assess(CheckInput(evidence.head(self.name), flange, today, before, notes))

    def said(self, doc: Doc) -> str:
        return words.sentence(doc)

    def picture(self, doc: Doc, material: Material) -> bytes:
        from benchd.questions.check_lens.picture import draw

        return draw(doc)
