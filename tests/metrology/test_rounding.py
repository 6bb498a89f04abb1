"""Rounding as JCGM 100 7.2.6 has it."""

from __future__ import annotations

import pytest

from benchd.metrology.rounding import at_most, rounded


@pytest.mark.published
def test_examples_of_the_gum() -> None:
    # JCGM 100, 7.2.6: 10.057 62 ohm with 27 milliohm is stated as 10.058; 28.05 kHz as 28 kHz.
    assert rounded(10.05762, 0.027) == ("10.058", "0.027")
    assert rounded(1234.5, 28.05) == ("1234", "28")
    # H.1: 50 000 838 nm, 31.664 nm.
    assert rounded(50_000_838.4, 31.664) == ("50000838", "32")


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (17.6432, 7.512, ("17.6", "7.5")),
        (-0.04, 9.97, ("0", "10")),
        (1.23456, 0.0996, ("1.23", "0.10")),
        (12345.0, 1234.0, ("12300", "1200")),
        (3.0, 0.0, ("3", "0")),
        (-0.0004, 0.012, ("0.000", "0.012")),
        (-7.25, 0.95, ("-7.25", "0.95")),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value: float, u: float, text: tuple[str, str]) -> None:
    assert rounded(value, u) == text


@pytest.mark.parametrize(
    ("needed", "text"),
    [(2.468, "2.4"), (2.4, "2.4"), (0.0999, "0.099"), (9.99, "9.9"), (0.1, "0.10"), (1234.0, "1200"), (0.0, "0")],
)
def test_what_has_to_be_reached_is_never_rounded_up(needed: float, text: str) -> None:
    """2.47 was needed and 2.5 was asked for: whoever did as told had an undecided verdict again."""
    assert at_most(needed) == text
    assert float(text) <= needed


def test_digits_are_a_choice_and_nonsense_is_refused() -> None:
    assert rounded(17.6432, 7.512, digits=1) == ("18", "8")
    for value, u in ((float("nan"), 1.0), (1.0, float("inf")), (1.0, -1.0)):
        with pytest.raises(ValueError, match="cannot round"):
            rounded(value, u)
    with pytest.raises(ValueError, match="cannot round"):
        at_most(-1.0)
