"""How true is the carriage where its steps are the position: places approached from both sides under a gauge's tip."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from benchd.errors import Refused
from benchd.questions.question import Question
from benchd.questions.wording import Doc, Named

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.questions.evidence import Evidence


class AxisTest(Question):
    """From one gauge's readings at some places, each approached as often from below as from above."""

    name = "axis_test"
    target = "carried"
    asks = "How far is the carriage from where its steps say: pitch, error within a turn, backlash?"
    readings = ("from_below", "from_above")
    by_steps = True
    values: ClassVar = {
        "pitch": Named("Error of the screw's pitch"),
        "periodic": Named("Amplitude within a turn", signed=False),
        "one_sided": Named("One approach"),
        "reversal": Named("Lost on reversal, mean"),
        "reversal_most": Named("Reversal B", signed=False),
        "repeatability": Named("Repeatability R, both ways", signed=False),
        "systematic": Named("Systematic error E, both ways", signed=False),
        "mean_deviation": Named("Mean deviation M", signed=False),
        "accuracy": Named("Accuracy A, both ways", signed=False),
    }
    improves: ClassVar = {
        "gauge gain": "use a gauge that is certified closer, or one of longer range",
        "fit": "take more places, over more turns of the screw",
        "approaches": "take more runs; see that bridge and tip stand firmly",
    }
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.questions.axis_test.assessment import AxisInput, assess
        from benchd.questions.axis_test.places import by_place

        steps, scale = evidence.file.steps, evidence.scale
        if steps is None or steps.period_um is None or scale is None:
            raise Refused(
                "bad_request",
                "The bench file does not say how far the carriage goes in one turn of the screw.",
                advice="Write `period_um` under `steps`, start benchd again, and run it anew.",
            )
        tables = by_place(evidence)
        given = AxisInput(
            head=evidence.head(self.name, lens=False),
            indices=(0, evidence.last_index),
            run=evidence.run,
            period_um=steps.period_um,
            gauge=evidence.gauge(),
            u_growth=steps.alpha_per_K * evidence.temperature.u_K,
            temperature_source=evidence.temperature.source,
        )
        return assess(*tables, given)

    def said(self, doc: Doc) -> str:
        values = doc["values"]
        lost = -values["reversal"]["value"]
        return (
            f"The carriage goes {self.interval(doc, 'pitch')} of its way too far, and to and fro by "
            f"{self.interval(doc, 'periodic')} within a turn of the screw; it loses {lost:.1f} µm on reversal, and "
            f"comes back to a place from one side within {values['one_sided']['U']:.1f} µm."
        )
