"""What a procedure is given: types, units, ranges, defaults, and all that is wrong told at once."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.errors import Refused
from benchd.procedures.inputs import Input, kind_of, parse_input, parse_inputs, sample_value

KNOWN = {"lens": {"L-0417", "L-0418"}, "adapter": {"ring-07", "gap-03"}, "glass": {"pane-25"}, "reference": set[str]()}


def an_input(**keys: Any) -> Input:
    # As from a file: strict, but a list stands for a tuple.
    return Input.model_validate_json(json.dumps(keys))


@pytest.mark.parametrize(
    ("wanted", "given_value", "taken"),
    [
        (an_input(type="lens"), "L-0417", "L-0417"),
        (an_input(type="list", of="adapter"), ["gap-03", "ring-07"], ["gap-03", "ring-07"]),
        (an_input(type="list", of="glass"), [], []),
        (an_input(type="length", unit="mm"), 5012, 5012.0),
        (an_input(type="length", unit="mm"), "5012 mm", 5012.0),
        (an_input(type="length", unit="um"), "45 mm", 45000.0),
        # One foot is 0.3048 m exactly (international yard and pound agreement, 1959).
        (an_input(type="length", unit="mm"), "2 ft 6 in", 762.0),
        (an_input(type="integer", min=3, max=20), 20, 20),
        (an_input(type="number"), 0.4, 0.4),
        (an_input(type="choice", choices=["a", "b"]), "b", "b"),
        (an_input(type="text"), "${lens}", "${lens}"),
        (an_input(type="measured"), {"value": 0.0101, "u": 0.00001}, {"value": 0.0101, "u": 0.00001}),
        (an_input(type="measured", default=None), None, None),
    ],
)
def test_what_may_be_given_is_taken(wanted: Input, given_value: Any, taken: Any) -> None:
    value = parse_input(wanted, given_value, KNOWN)
    assert value == (pytest.approx(taken) if isinstance(taken, float) else taken)
    assert type(value) is type(taken)


@pytest.mark.parametrize(
    ("wanted", "given_value", "said"),
    [
        (an_input(type="lens"), "L-0471", "there is no lens 'L-0471'; did you mean 'L-041"),
        (an_input(type="lens"), 417, "the id, label or model of a lens on record"),
        (an_input(type="list", of="adapter"), "ring-07", "a list of ids of adapter records"),
        (an_input(type="list", of="adapter"), ["ring-7"], "did you mean 'ring-07'?"),
        (an_input(type="list", of="adapter", min=1), [], "at least 1"),
        (an_input(type="length", unit="mm", min=1000), 999.9, "at least 1000 mm"),
        (an_input(type="length", unit="mm", min=1000), "99 cm", "at least 1000 mm"),
        (an_input(type="length", unit="mm"), "5,5 m", "5,5 m"),
        (an_input(type="length", unit="mm"), "9**9**9 mm", "9**9**9"),
        (an_input(type="length", unit="mm"), True, "a length such as '5 m'"),
        (an_input(type="integer", min=3, max=20), 21, "a whole number, 3 to 20"),
        (an_input(type="integer"), 5.0, "a whole number"),
        (an_input(type="integer"), "5", "a whole number"),
        (an_input(type="number"), float("nan"), "a number"),
        (an_input(type="number"), float("inf"), "a number"),
        (an_input(type="choice", choices=["a", "b"]), "c", "one of a, b"),
        (an_input(type="measured"), {"value": 0.01}, "{value: .., u: ..}"),
        (an_input(type="measured"), {"value": 0.01, "u": 0.0}, "u more than 0"),
        (an_input(type="lens"), None, "the id, label or model of a lens on record"),
        (an_input(type="integer", default=5), None, "a whole number"),
    ],
)
def test_what_may_not_be_given_is_refused_saying_what_may(wanted: Input, given_value: Any, said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        parse_input(wanted, given_value, KNOWN)


def test_defaults_stand_in_and_all_that_is_wrong_is_told_at_once() -> None:
    inputs = {
        "lens": an_input(type="lens"),
        "distance_mm": an_input(type="length", unit="mm"),
        "repeats": an_input(type="integer", default=5, max=20),
        "m": an_input(type="measured", default=None),
        "depth_um": an_input(type="length", unit="um", default="45 mm"),
    }
    values = parse_inputs(inputs, {"lens": "L-0417", "distance_mm": "5 m"}, KNOWN)
    assert values == {"lens": "L-0417", "distance_mm": 5000.0, "repeats": 5, "m": None, "depth_um": 45000.0}
    with pytest.raises(Refused) as refused:
        parse_inputs(inputs, {"lens": "XYZ", "repeats": 21, "repeat": 3}, KNOWN)
    assert refused.value.code == "bad_request"
    assert refused.value.data["problems"] == [
        "repeat: no such input; did you mean 'repeats'?",
        "lens = XYZ: there is no lens 'XYZ'; there are L-0417, L-0418",
        "distance_mm: needed, a length such as '5 m', or a number in mm",
        "repeats = 21: a whole number, at most 20",
    ]


@given(low=st.integers(-50, 50), width=st.integers(0, 50))
def test_a_sample_may_always_be_given(low: int, width: int) -> None:
    for kind in ("integer", "number"):
        wanted = an_input(type=kind, min=low, max=low + width)
        assert parse_input(wanted, sample_value(wanted), None) == sample_value(wanted)


def test_a_list_may_be_of_lengths_and_numbers() -> None:
    lengths = an_input(type="list", of="length", unit="um", min=1)
    assert parse_input(lengths, ["10 um", 0.5, "1 mm"], None) == [10.0, 0.5, 1000.0]
    assert kind_of(lengths) == "list of length"
    assert sample_value(lengths) == [1.0]
    assert parse_input(an_input(type="list", of="number"), [1, 2.5], None) == [1.0, 2.5]
    with pytest.raises(ValueError, match="5 parsec"):
        parse_input(lengths, ["5 parsec"], None)
    with pytest.raises(ValueError, match="a list of lengths such as '5 mm'"):
        parse_input(lengths, "10 um", None)


def test_lists_of_different_things_are_different_kinds() -> None:
    assert kind_of(an_input(type="list", of="glass")) == "list of glass"
    assert kind_of(an_input(type="glass")) == "glass"
