"""What is shown of a finding with the question that follows it."""

from __future__ import annotations

import json
from copy import deepcopy
from pathlib import Path
from typing import Any

from benchd.assessments.earlier_schemas import upgrade_finding
from benchd.procedures.prompts import finding_summary

FLANGE = upgrade_finding(json.loads((Path(__file__).parents[1] / "data" / "finding.json").read_text(encoding="utf-8")))


def length(artefact: str, value: float, U: float, *notes: str) -> dict[str, Any]:
    values = {"length": {"value": value, "unit": "um", "u": U / 2, "dof": 4.0, "k": 2.0, "U": U}}
    return {"assessment": "bench_zero", "measurand": {"artefact": artefact},
            "calibrates": [{"artefact": artefact, "value": "length"}], "values": values, "verdict": None,
            "absolute": True, "notes": list(notes)}  # fmt: skip


def test_a_calibration_is_shown_with_what_stands_and_the_change() -> None:
    assert finding_summary(length("bench-zero", 23905.12, 66.2), {"bench-zero": (24004.36, "in force (cal-1)")}) == (
        "Found: bench-zero 23905 ± 66 µm, −99 µm from the 24004 µm in force (cal-1)."
    )
    assert finding_summary(length("ring-07", 18004.93, 0.83), {"ring-07": (18003.2, "stated in its record")}) == (
        "Found: ring-07 18004.93 ± 0.83 µm, +1.73 µm from the 18003.20 µm stated in its record."
    )


def test_a_pair_that_is_far_off_is_shown_and_other_notes_are_not() -> None:
    note = "Pair of readings 3 of 5 is far off the others, −475.0 µm from the median: look again."
    text = finding_summary(length("bench-zero", 23905.0, 66.0, "The scale's expansion is not stated.", note), {})
    assert text == f"Found: bench-zero 23905 ± 66 µm. {note}"


def test_a_flange_is_shown_with_its_verdict() -> None:
    assert finding_summary(FLANGE, {}) == (
        "Found: focus error +17.6 ± 7.5 µm, outside tolerance (probability of conformity 2.4 %)."
    )
    relative = deepcopy(FLANGE) | {"absolute": False, "verdict": None, "advice": None}
    relative["values"]["focus_error"]["value"] = -3.04
    assert finding_summary(relative, {}) == "Found: focus error −3.0 ± 7.5 µm, relative, no verdict."


def test_a_finding_without_a_value_says_so() -> None:
    empty = deepcopy(FLANGE)
    empty["values"]["focus_error"] |= {"value": None, "u": None, "U": None, "k": None}
    empty["values"].pop("glass_residual")
    assert finding_summary(empty, {}) == "flange has found no value."


def test_each_calibration_is_shown_by_its_own_value_and_one_of_a_joint_by_its_doubt() -> None:
    """'Found: joint +123.4 µm' stood where the first value was another one than that which would come into force."""
    um = {"unit": "um", "dof": 4.0, "k": 2.8}
    values = {
        "reading": {"value": 123.4, "u": 0.2, "U": 0.6, **um},
        "joint": {"value": 0.0, "u": 0.5, "U": 1.4, **um},
        "ring": {"value": 18003.0, "u": 0.5, "U": 1.4, **um},
    }
    of = [{"artefact": "joint", "value": "joint"}, {"artefact": "ring-07", "value": "ring"}]
    doc = {**length("joint", 0.0, 1.4), "values": values, "calibrates": of}
    stands = {"joint": (0.0, "in force (cal-1)"), "ring-07": (18002.0, "stated in its record")}
    assert finding_summary(doc, stands) == (
        "Found: joint 0.0 ± 1.4 µm; ring-07 +18003.0 ± 1.4 µm, +1.0 µm from the 18002.0 µm stated in its record."
    )
