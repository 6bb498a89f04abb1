"""How well does the home switch come back: one place, homed anew each time, under a gauge's tip."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from benchd.errors import Refused
from benchd.questions.question import Question
from benchd.questions.wording import Named

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.questions.evidence import Evidence

LEAST_HOMINGS = 6
"""Fewer know a scatter to no better than a third (JCGM 100, E.4.3)."""


class HomeRepeat(Question):
    """From one gauge's readings at one place, each after a homing of its own."""

    name = "home_repeat"
    target = "carried"
    asks = "How well does the home switch come back, from one homing to the next?"
    readings = ("homed",)
    by_steps = True
    values: ClassVar = {"home": Named("A homing"), "span": Named("All homings within", signed=False)}
    improves: ClassVar = {
        "homings": "home more slowly, use a better switch, or take more homings",
    }
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.assessments.finding import Finding
        from benchd.assessments.lines import as_budget, as_value
        from benchd.bench.datum.position_terms import HOMING
        from benchd.metrology.budget import Term, combine
        from benchd.metrology.repeats import repeats

        rows = evidence.readings["homed"]
        seen = [row.value for row in rows if row.value is not None]
        if len(seen) < max(LEAST_HOMINGS, len(rows)):
            text = f"The run holds {len(seen)} readings after a homing; {LEAST_HOMINGS} are the least."
            raise Refused("not_found", text, advice="Run `home_repeat`.")
        floor = evidence.gauge().resolution_um / 12.0**0.5  # a gauge that always shows the same may hide that much
        # What one approach scatters by is in it as well, which is on the safe side.
        terms = [Term("homings", max(repeats(seen).s, floor), "A", float(len(seen) - 1), evidence.run)]
        span = {"value": max(seen) - min(seen), "unit": "um", "u": None, "dof": None, "k": None, "U": None}
        return Finding.model_validate(
            {
                **evidence.head(self.name, lens=False),
                "measurand": {"arrangement": "gauge", "artefact": HOMING, "reference_C": 20.0},
                "absolute": True,
                "values": {"home": as_value(0.0, combine(terms), "um"), "span": span},
                "budgets": {"home": as_budget(terms)},
                "verdict": None,
                "advice": None,
                "calibrates": [{"artefact": HOMING, "value": "home"}],
                "notes": [],
                "readings": {"run": evidence.run, "indices": [0, evidence.last_index]},
                "calibrations": [],
            }
        )
