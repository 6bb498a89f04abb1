"""The finding document: the published example, there and back, and what may not stand in one."""

from __future__ import annotations

import json
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from benchd.assessments.finding import Finding

# The example of the project's published contract, section 4.
EXAMPLE = json.loads((Path(__file__).parents[1] / "data" / "finding.json").read_text(encoding="utf-8"))


def changed(path: str, value: Any) -> dict[str, Any]:
    """The example with the value at a dotted path replaced."""
    doc: dict[str, Any] = deepcopy(EXAMPLE)
    *parents, last = path.split(".")
    place: Any = doc
    for key in parents:
        place = place[int(key)] if isinstance(place, list) else place[key]
    place[last] = value
    return doc


def test_the_published_example_comes_back_key_for_key() -> None:
    document = Finding.from_json(EXAMPLE).as_json()
    assert document == EXAMPLE
    assert list(document) == list(EXAMPLE)
    assert json.loads(json.dumps(document, allow_nan=False)) == EXAMPLE


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
@pytest.mark.parametrize(
    "path",
    ["values.focus_error.value", "values.focus_error.U", "budget.0.u", "budget.0.dof", "verdict.p_conform",
     "verdict.low", "advice.residual_um", "measurand.lp_mm"],
)  # fmt: skip
def test_no_number_may_be_other_than_finite(path: str, number: float) -> None:
    with pytest.raises(ValidationError, match="finite"):
        Finding.from_json(changed(path, number))


def test_a_relative_finding_carries_no_verdict() -> None:
    with pytest.raises(ValidationError, match="relative finding"):
        Finding.from_json(changed("absolute", False))
    relative = changed("absolute", False)
    relative["verdict"] = None
    assert Finding.from_json(relative).as_json() == relative


def test_the_verdict_is_about_a_value_that_is_there() -> None:
    with pytest.raises(ValidationError, match="not among the values"):
        Finding.from_json(changed("verdict.value", "flange_error"))


@pytest.mark.parametrize("path", ["extra", "verdict.extra", "values.focus_error.sigma", "budget.1.sensitivity"])
def test_unknown_keys_are_refused(path: str) -> None:
    with pytest.raises(ValidationError, match="Extra inputs"):
        Finding.from_json(changed(path, 1.0))


@pytest.mark.parametrize(
    ("path", "said", "silent"),
    [
        ("measurand.artefact", "ring-07", None),
        ("measurand.response", "system", None),
        ("budget.0.shape", "arcsine", "normal"),
        ("advice.remove", [20.0], []),
    ],
)
def test_what_most_findings_have_no_use_for_is_left_out(path: str, said: Any, silent: Any) -> None:
    named = changed(path, said)
    assert Finding.from_json(named).as_json() == named
    assert Finding.from_json(changed(path, silent)).as_json() == EXAMPLE


@given(value=st.floats(allow_nan=False, allow_infinity=False), u=st.floats(0, 1e6))
def test_numbers_come_back_to_the_last_digit(value: float, u: float) -> None:
    document = changed("values.focus_error.value", value)
    document["values"]["focus_error"]["u"] = u
    again = Finding.from_json(json.loads(json.dumps(Finding.from_json(document).as_json())))
    assert again.values["focus_error"].value == value
    assert again.values["focus_error"].u == u
