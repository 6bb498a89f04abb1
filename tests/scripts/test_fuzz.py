"""Damaged inputs at the parsers of all wires, in the short; and that one which fails is found and said in few bytes."""

from __future__ import annotations

import pytest

from fuzz import Outcome, fuzzed
from fuzz_parsers import Parser, parsers

INPUTS, SLOW = 1500, 150


@pytest.fixture(scope="module")
def outcomes() -> dict[str, Outcome]:
    with parsers() as found:
        return {one.name: fuzzed(one, INPUTS if one.inputs > 100_000 else SLOW, seed=3) for one in found}


def test_nothing_that_is_damaged_raises_what_has_no_name_or_gives_what_cannot_be(outcomes: dict[str, Outcome]) -> None:
    assert {name: outcome.failure for name, outcome in outcomes.items() if outcome.failure} == {}
    assert len(outcomes) >= 18


def test_some_are_taken_and_some_refused(outcomes: dict[str, Outcome]) -> None:
    """A parser that takes none, or refuses none though it may, is hardly looked into."""
    with parsers() as found:
        refusing = [one.name for one in found if one.may]
    shares = {name: outcomes[name].refused / outcomes[name].inputs for name in refusing}
    assert all(0.1 < share < 0.95 for share in shares.values()), shares


def test_what_fails_is_told_in_few_bytes() -> None:
    def stumbles(data: bytes) -> None:
        if b"\xff" in data:
            raise UnicodeDecodeError("ascii", data, 0, 1, "for the test")

    outcome = fuzzed(Parser("stumbles", (b"P=+0012.345\r\n",), stumbles), 100_000, seed=3)
    assert outcome.failure is not None
    assert outcome.failure.data == b"\xff"
    assert "UnicodeDecodeError" in outcome.failure.error
    assert outcome.inputs < 100_000
