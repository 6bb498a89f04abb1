"""Whether more readings are worth their time: the sum of squares of JCGM 100, 5.1.2, and the rule of JCGM 106."""

from __future__ import annotations

import math
from typing import Any

import pytest

from benchd.metrology.budget import Term, combine
from benchd.metrology.decision import decide
from benchd.questions.flange.more_readings import more_readings


def asked(readings_um: float, others_um: list[float], value_um: float, limit_um: float | None = 10.0) -> dict[str, Any]:
    terms = [Term("sweep", readings_um, "A", None, "r-0001")]
    terms += [Term(f"line {i}", u, "B", None, "record") for i, u in enumerate(others_um)]
    verdict = None
    if limit_um is not None:
        found = decide(value_um, combine(terms), -limit_um, limit_um)
        verdict = {"is": found.is_, "low": -limit_um, "high": limit_um}
    return more_readings(terms, value_um, verdict)


@pytest.mark.parametrize("others", [[2.2], [1.1, 1.0, 0.99, 0.87, 0.5]])
def test_readings_below_a_fifth_of_the_rest_buy_nothing(others: list[float]) -> None:
    """A fifth adds 2 % to a root of squares: sqrt(1 + 0.04) = 1.0198."""
    rest = math.hypot(*others)
    assert asked(0.19 * rest, others, 0.0)["worth"] is False
    assert asked(0.21 * rest, others, 0.0)["worth"] is True
    assert math.hypot(0.2 * rest, rest) / rest == pytest.approx(1.0198, abs=1e-4)


def test_they_are_worth_it_where_they_alone_keep_a_verdict_open() -> None:
    """With u = 2.0 a value passes up to 10 - 1.645 x 2.0 = 6.710; the readings' fifth lowers that to 6.645."""
    assert asked(0.4, [2.0], 6.69)["worth"] is True
    assert "would be decided" in asked(0.4, [2.0], 6.69)["why"]
    assert asked(0.4, [2.0], 6.60)["worth"] is False, "it passes already"
    assert asked(0.4, [2.0], 6.80)["worth"] is False, "it stays open whatever is read"
    assert asked(0.4, [2.0], 6.69, None)["worth"] is False, "there is no tolerance to judge by"


def test_without_any_other_line_every_reading_counts() -> None:
    assert asked(0.1, [], 0.0)["worth"] is True


def test_the_reason_names_both() -> None:
    assert asked(0.11, [2.21], 0.0)["why"] == (
        "The readings' own u is 0.11 µm, that of everything else 2.21 µm: more readings would buy nothing."
    )
