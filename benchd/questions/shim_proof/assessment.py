"""The change of a focus error between two findings of one lens, without the lines that both share: pure numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.arrangements.wall import OUT_OF_FOCUS
from benchd.assessments.finding import Finding
from benchd.assessments.lines import as_budget, as_value
from benchd.metrology.budget import Term, combine
from benchd.questions.flange.seatings import JOINTS, SCATTER, STAND_OFF, how_many, own_pair

Doc = Mapping[str, Any]

OWN = ("sweep", "joints", SCATTER, "stand-off", "position subdivision", "thermal")
"""Lines that each measurement has of its own although the set-up is the same: its readings, how the lens came to sit,
the phase of the scale where it stood, and how warm it was. The others are the same both times, and cancel."""


@dataclass(frozen=True, slots=True)
class ProofInput:
    """`head` are the first keys of the finding, `before` and `after` documents of `flange`; `changed` names what is set
    up otherwise. `pairs` is the number of pairs of seats in the lines of joints and dirt, `fitted_um` the shims now
    under it. `own_share_of_m`: m was told anew by the same marks, and this share of its u is of each telling; None if
    not."""

    head: Mapping[str, Any]
    before: Doc
    after: Doc
    changed: Sequence[str]
    pairs: int
    fitted_um: Sequence[float]
    own_share_of_m: float | None = None


def assess(given: ProofInput) -> Finding:
    """The finding `shim_proof`. A shim of thickness s lowers the focus error by s.

    Where the set-up is another one than before, no line cancels, and a note says what is.
    """
    before, after = (doc["values"]["focus_error"] for doc in (given.before, given.after))
    change = after["value"] - before["value"]
    terms = [*_lines(given, given.before, "before"), *_lines(given, given.after, "after")]
    expanded = combine(terms)
    shimmed = _shimmed_um(given)
    notes = [note for note in given.after["notes"] if note.startswith("Measured ")]
    if given.changed:
        notes.append(f"Set up otherwise than before ({', '.join(given.changed)}): no line of the budget cancels.")
    if shimmed is None:
        notes.append("The finding before does not say which shims were under the lens.")
    else:
        notes.append("How true the shims' own thickness is, is not in the interval.")
    values = {
        "change": as_value(change, expanded, "um"),
        "before": before,
        "after": after,
        "expected": {"value": None if shimmed is None else -shimmed, "unit": "um"},
        "unexplained": {"value": None, "unit": "um"},
    }
    budgets = {
        "change": as_budget(terms),
        "before": given.before["budgets"]["focus_error"],
        "after": given.after["budgets"]["focus_error"],
    }
    if shimmed is not None:
        values["unexplained"] = as_value(change + shimmed, expanded, "um")
        budgets["unexplained"] = as_budget(terms)
    return Finding.model_validate(
        {
            **given.head,
            "measurand": given.after["measurand"],
            "absolute": given.before["absolute"] and given.after["absolute"],
            "why_relative": given.after.get("why_relative") or given.before.get("why_relative") or [],
            "values": values,
            "budgets": budgets,
            "verdict": None,
            "advice": None,
            "notes": notes,
            "readings": given.after["readings"],
            "calibrations": given.after["calibrations"],
        }
    )


def _shimmed_um(given: ProofInput) -> float | None:
    """What has been put under the lens between the two; None if the first does not say what was there."""
    advice = given.before["advice"]
    return None if advice is None else sum(given.fitted_um) - sum(advice["fitted_um"])


def _lines(given: ProofInput, doc: Doc, when: str) -> list[Term]:
    """The lines of one finding that do not cancel."""
    found = []
    alone = all(line["term"] != SCATTER for line in doc["budgets"]["focus_error"])
    for line in doc["budgets"]["focus_error"]:
        u = line["u"]
        if not given.changed:
            if line["term"] == "conjugate" and given.own_share_of_m is not None:
                parts = {part["name"]: part["u"] for part in line.get("parts", ())}
                u = math.hypot(given.own_share_of_m * parts.get("m", u), parts.get(OUT_OF_FOCUS, 0.0))
            elif line["term"] not in OWN:
                continue
            elif line["term"] == STAND_OFF:
                u /= math.sqrt(given.pairs)
            elif line["term"] == JOINTS:
                # The lens's own pair, seated so often; where that has a line by itself, these are the others.
                u = own_pair(line, given.pairs, how_many(doc)) if alone else 0.0
        shape = line.get("shape", "normal")
        if u > 0.0:
            found.append(Term(f"{line['term']} {when}", u, line["type"], line["dof"], line["source"], shape))
    return found
