"""How alike do two parts seat: the spread of an indicator's readings over seatings, as the u of a mated pair.

A package of its own, as anybody's would be: benchd knows nothing of it but its entry point.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, ClassVar

from benchd.assessments.finding import Finding
from benchd.errors import Refused
from benchd.metrology.drawn import Drawn, Stratum
from benchd.questions.question import Question
from benchd.questions.wording import Material, Named

if TYPE_CHECKING:
    import numpy as np

    from benchd.questions.evidence import Evidence

SEATED = "seated"


class SeatStudy(Question):
    """From readings on one part, lifted off and seated anew before each."""

    name = "seat_study"
    asks = "How alike do two parts seat?"
    readings = (SEATED,)
    values: ClassVar = {"joint": Named("A mated pair adds"), "reading": Named("Mean reading", signed=False)}
    improves: ClassVar = {"seatings": "clean both seats, and seat them more often"}
    drawn = "seat chart"
    calibrates = True

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        rows = evidence.readings.get(SEATED, ())
        if len(rows) < 4:
            raise Refused("not_found", f"The run holds {len(rows)} readings '{SEATED}'.", advice="Take 4 or more.")
        indices = rows[0].idx, rows[-1].idx
        return seat_study(evidence.head(self.name, lens=False), [row.value or 0.0 for row in rows], indices)

    def said(self, doc: Mapping[str, Any]) -> str:
        return f"Two parts seat alike to {doc['values']['joint']['u']:.2f} µm."

    def picture(self, doc: Mapping[str, Any], material: Material) -> bytes:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        figure = Figure(figsize=(5.0, 3.0))
        FigureCanvasAgg(figure)
        figure.subplots().plot([row.value or 0.0 for row in material.readings if row.channel == SEATED], "o-")
        out = io.BytesIO()
        figure.savefig(out, format="png")
        return out.getvalue()

    def strata(self) -> Mapping[str, Stratum]:
        return {"eight seatings": eight_seatings}


def seat_study(head: Mapping[str, Any], readings: Sequence[float], indices: tuple[int, int]) -> Finding:
    """The finding of readings in um. A pair adds nothing but its scatter (JCGM 100, 4.2.2), with n - 1 dof."""
    from benchd.assessments.lines import as_budget, as_value
    from benchd.metrology.budget import Term, combine

    n, run = len(readings), str(head["run"])
    mean = sum(readings) / n
    s = math.sqrt(sum((one - mean) ** 2 for one in readings) / (n - 1))
    of_pair = [Term("seatings", s, "A", n - 1.0, run)]
    of_mean = [Term("seatings", s / math.sqrt(n), "A", n - 1.0, run)]
    um = {"name": "reading", "unit": "um"}
    return Finding.model_validate(
        {
            **head,
            "measurand": {"arrangement": "gauge", "artefact": "joint"},
            "absolute": True,
            "values": {
                "joint": as_value(0.0, combine(of_pair), "um"),
                "reading": as_value(mean, combine(of_mean), "um"),
            },
            "budgets": {"joint": as_budget(of_pair), "reading": as_budget(of_mean)},
            "tables": {
                "seatings": {
                    "columns": [{"name": "seating"}, um, {"name": "from the mean", "unit": "um"}],
                    "rows": [[float(i + 1), one, one - mean] for i, one in enumerate(readings)],
                }
            },
            "curves": {"seatings": {"x": {"name": "seating"}, "y": um, "points": list(enumerate(readings, 1))}},
            "verdict": None,
            "advice": None,
            "calibrates": [{"artefact": "joint", "value": "joint"}],
            "readings": {"run": run, "indices": list(indices)},
        }
    )


def eight_seatings(rng: np.random.Generator) -> Drawn:
    """A case of the accuracy study."""
    from benchd.assessments.lines import drawn

    head = {"assessment": "seat_study", "run": "r-0001", "setup": 1, "lens": None, "at": "", "version": "0"}
    true = float(rng.uniform(-100.0, 100.0))
    return drawn(seat_study(head, [true + float(rng.normal(0.0, 0.7)) for _ in range(8)], (0, 7)), "reading", true)
