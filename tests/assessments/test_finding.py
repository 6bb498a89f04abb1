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

from benchd.assessments.earlier_schemas import upgrade_finding
from benchd.assessments.finding import SCHEMA, Finding
from benchd.assessments.lines import shares_of
from benchd.errors import BenchdError

# The example of the project's published contract, section 4: of the first schema, without one being said.
PUBLISHED = json.loads((Path(__file__).parents[1] / "data" / "finding.json").read_text(encoding="utf-8"))
EXAMPLE = upgrade_finding(PUBLISHED)


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
    ["values.focus_error.value", "values.focus_error.U", "budgets.focus_error.0.u", "budgets.focus_error.0.dof",
     "verdict.p_conform", "verdict.low", "advice.residual_um", "measurand.lp_mm"],
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


@pytest.mark.parametrize(
    "path", ["extra", "verdict.extra", "values.focus_error.sigma", "budgets.focus_error.1.sensitivity"]
)
def test_unknown_keys_are_refused(path: str) -> None:
    with pytest.raises(ValidationError, match="Extra inputs"):
        Finding.from_json(changed(path, 1.0))


@pytest.mark.parametrize(
    ("path", "said", "silent"),
    [
        ("measurand.artefact", "ring-07", None),
        ("measurand.response", "system", None),
        ("budgets.focus_error.0.shape", "arcsine", "normal"),
        ("advice.remove", [20.0], []),
    ],
)
def test_what_most_findings_have_no_use_for_is_left_out(path: str, said: Any, silent: Any) -> None:
    named = changed(path, said)
    assert Finding.from_json(named).as_json() == named
    assert Finding.from_json(changed(path, silent)).as_json() == EXAMPLE


@given(value=st.floats(allow_nan=False, allow_infinity=False), u=st.floats(1e-6, 1e6))
def test_numbers_come_back_to_the_last_digit(value: float, u: float) -> None:
    document = changed("values.focus_error.value", value)
    document["values"]["focus_error"] |= {"u": u, "U": 1.96 * u}
    document["budgets"]["focus_error"] = [{**EXAMPLE["budgets"]["focus_error"][0], "u": u}]
    again = Finding.from_json(json.loads(json.dumps(Finding.from_json(document).as_json())))
    assert again.values["focus_error"].value == value
    assert again.values["focus_error"].u == u


# What a finding is about


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("budgets", {"focus_error": EXAMPLE["budgets"]["focus_error"], "tilt": []}),
        ("calibrates", [{"artefact": "ring-07", "value": "length"}]),
    ],
)
def test_budgets_and_calibrations_are_about_values_that_are_there(path: str, value: Any) -> None:
    with pytest.raises(ValidationError, match="not among the values"):
        Finding.from_json({**EXAMPLE, path: value})


@pytest.mark.parametrize("lines", [[], EXAMPLE["budgets"]["focus_error"][1:2]])
def test_an_interval_whose_lines_do_not_come_to_it_is_refused(lines: list[Any]) -> None:
    """JCGM 100, 5.1.2: the combined u is the root of the sum of squares, of the conjugate alone 2.9 and not 3.8."""
    with pytest.raises(ValidationError, match=r"lines of the budget of 'focus_error' come to"):
        Finding.from_json({**EXAMPLE, "budgets": {"focus_error": lines}})


@pytest.mark.parametrize(
    "wrong",
    [{"U": 0.001}, {"U": 7.5, "k": None}, {"value": None}, {"u": None}],
)
def test_an_interval_is_k_times_u_of_a_value(wrong: dict[str, Any]) -> None:
    """JCGM 100, 6.2.1: U = k u."""
    value = {**EXAMPLE["values"]["focus_error"], **wrong}
    with pytest.raises(ValidationError, match="whose product that is"):
        Finding.from_json({**EXAMPLE, "values": {**EXAMPLE["values"], "focus_error": value}})


def test_a_part_of_a_line_is_no_more_than_the_line() -> None:
    first, *others = EXAMPLE["budgets"]["focus_error"]
    lines = [{**first, "parts": [{"name": "m", "u": 2.0 * first["u"]}]}, *others]
    with pytest.raises(ValidationError, match="a part of the line"):
        Finding.from_json({**EXAMPLE, "budgets": {"focus_error": lines}})


def test_tables_and_curves_are_whole() -> None:
    columns = [{"name": "height", "unit": "mm"}, {"name": "note", "unit": "1"}]
    table = {"columns": columns, "rows": [[10.0, "sharp"], [14.0, None]]}
    curve = {"x": columns[0], "y": columns[0], "points": [[0.0, 1.0], [1.0, 2.0]], "u": [0.1, 0.1]}
    whole = {**EXAMPLE, "tables": {"heights": table}, "curves": {"field": curve}}
    assert Finding.from_json(whole).as_json() == whole
    with pytest.raises(ValidationError, match="2 cells"):
        Finding.from_json({**EXAMPLE, "tables": {"heights": {**table, "rows": [[10.0]]}}})
    with pytest.raises(ValidationError, match="2 points and 1 uncertainties"):
        Finding.from_json({**EXAMPLE, "curves": {"field": {**curve, "u": [0.1]}}})


# Schemas


def test_a_finding_of_the_first_schema_reads_as_one_of_today() -> None:
    assert "schema" not in PUBLISHED
    assert EXAMPLE["schema"] == SCHEMA
    assert EXAMPLE["budgets"] == {"focus_error": PUBLISHED["budget"]}
    assert {key: value for key, value in EXAMPLE.items() if key not in ("schema", "budgets")} == {
        key: value for key, value in PUBLISHED.items() if key != "budget"
    }
    assert upgrade_finding(EXAMPLE) == EXAMPLE


def test_a_length_of_before_calibrates_its_artefact() -> None:
    """That went without saying; a base in force since last year keeps the place of the carriage it was found at."""
    length = {"value": 24012.4, "unit": "um", "u": 1.8, "dof": 5.7, "k": 2.5, "U": 4.5}
    stood = {"value": 21000.0, "unit": "um"}
    old = {**PUBLISHED, "assessment": "bench_zero", "verdict": None, "measurand": {"artefact": "bench-zero"}}
    now = upgrade_finding(old | {"values": {"length": length, "carriage": stood}})
    assert now["calibrates"] == [
        {"artefact": "bench-zero", "value": "length", "carriage_um": 21000.0, "shares": shares_of({"base": 1.8})}
    ]
    assert list(now["budgets"]) == ["length"]


def test_a_toggle_of_before_has_its_plate_in_the_residual_s_budget_alone() -> None:
    value = {"value": 1.0, "unit": "um", "u": 0.2, "dof": 5.0, "k": 2.5, "U": 0.5}
    lines = [{"term": "plate record", "u": 0.87}, {"term": "readings", "u": 0.2}]
    old = {**PUBLISHED, "assessment": "glass_toggle", "values": {"shift": value, "residual": value}, "budget": lines}
    assert upgrade_finding(old)["budgets"] == {"shift": lines[1:], "residual": lines}


def test_a_finding_of_a_later_schema_is_not_half_understood() -> None:
    with pytest.raises(BenchdError, match="schema 3; this benchd reads up to 2"):
        upgrade_finding({**EXAMPLE, "schema": SCHEMA + 1})
    with pytest.raises(ValidationError, match="schema"):
        Finding.from_json(PUBLISHED | {"budgets": {}, "schema": SCHEMA + 1})
