"""Names, ids and the check character of labels."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.files.names import check_character, label_of

CODES = st.text(alphabet=string.digits + string.ascii_uppercase, min_size=1, max_size=20)


# ISO 7064 MOD 37-2: the donation number of the ISBT 128 standard's own example (G1234 98 654321 -> H), and the
# standard's numeric property that 0 alone checks as 1. From memory.
@pytest.mark.published
@pytest.mark.parametrize(("code", "check"), [("G123498654321", "H"), ("0", "1"), ("00000", "1")])
def test_check_character_of_published_codes(code: str, check: str) -> None:
    assert check_character(code) == check


# ISO 7064, pure systems: a string with its check character is congruent to 1 modulo 37, as a number to base 2.
@pytest.mark.published
@given(CODES)
def test_code_and_check_are_congruent_to_one(code: str) -> None:
    alphabet = string.digits + string.ascii_uppercase + "*"
    signs = code + check_character(code)
    weighted = sum(alphabet.index(sign) * 2**place for place, sign in enumerate(reversed(signs)))
    assert weighted % 37 == 1


@given(CODES, st.data())
def test_one_wrong_character_or_one_exchange_is_found(code: str, data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(code) - 1))
    other = data.draw(st.sampled_from([sign for sign in string.digits + string.ascii_uppercase if sign != code[place]]))
    assert check_character(code[:place] + other + code[place + 1 :]) != check_character(code)
    if place and code[place] != code[place - 1]:
        swapped = code[: place - 1] + code[place] + code[place - 1] + code[place + 1 :]
        assert check_character(swapped) != check_character(code)


def test_a_label_is_the_id_and_its_check_character() -> None:
    # Dashes do not count in the check.
    assert label_of("L-0417") == f"L-0417-{check_character('L0417')}"
