"""The finding document: the published example, there and back, and what may not stand in one."""

from __future__ import annotations

import json
from copy import deepcopy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from benchd.assessments.finding import Finding

# The example of the project's published contract, section 4.
EXAMPLE = json.loads("""
{"finding":"f-310","assessment":"flange","run":"r-0192","setup":1187,"lens":"L-0417","job":"J-88","at":"2031-04-05T09:20:02Z",
 "version":"0.3.0",
 "measurand":{"arrangement":"wall","ring":"infinity","f_number":2.0,"merit":"edge","lp_mm":40,"light_nm":546,"glass":["pane-25"],"reference_C":20.0},
 "absolute":true,
 "values":{"focus_error":{"value":17.6,"unit":"um","u":3.8,"dof":2600,"k":1.96,"U":7.5},
           "glass_residual":{"value":0.0,"unit":"um","u":0.2,"dof":null,"k":null,"U":null}},
 "budget":[{"term":"sweep","u":0.6,"type":"A","dof":11,"source":"r-0192"},
           {"term":"conjugate","u":2.9,"type":"B","dof":null,"source":"setup-1187"},
           {"term":"base","u":1.8,"type":"B","dof":null,"source":"cal-7"},
           {"term":"joints","u":1.0,"type":"A","dof":14,"source":"cal-2"},
           {"term":"adapter","u":0.8,"type":"B","dof":null,"source":"cal-3"},
           {"term":"glass","u":0.9,"type":"B","dof":null,"source":"pane-25"},
           {"term":"thermal","u":0.5,"type":"B","dof":null,"source":"setup-1187"}],
 "verdict":{"is":"fail","value":"focus_error","low":-10,"high":10,"unit":"um","p_conform":0.024,
   "rule":"JCGM 106, 95 %","next":null},
 "advice":{"shim_um":20,"from_stock":[20],"residual_um":-2.4,"fitted_um":[50]},
 "notes":["Ring at infinity, wall at 5.0 m: 501 um of conjugate shift taken off."],
 "readings":{"run":"r-0192","indices":[0,104]},"calibrations":["cal-7","cal-3","cal-2"]}
""")  # fmt: skip


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
    [("measurand.artefact", "ring-07", None), ("budget.0.shape", "arcsine", "normal"), ("advice.remove", [20.0], [])],
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
