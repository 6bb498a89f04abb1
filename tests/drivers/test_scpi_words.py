"""What SCPI instruments write, held against the standards and against a library that shares nothing with this one."""

from __future__ import annotations

import math
import re
import struct

import pytest
import pyvisa.util
from hypothesis import given
from hypothesis import strategies as st

from benchd_drivers.scpi_words import (
    LONGEST_BLOCK,
    NoNumber,
    Overload,
    block,
    decimal,
    error_of,
    number,
    reals,
    short_form,
    whole_block,
)

# SCPI-1999 volume 2, chapter 21: numbers and words of the standard's own errors.
STANDARD = {
    0: "No error",
    -100: "Command error",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -120: "Numeric data error",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -240: "Hardware error",
    -310: "System error",
    -350: "Queue overflow",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
}


@pytest.mark.published
@pytest.mark.parametrize(("number_", "words"), STANDARD.items())
def test_error_replies_of_the_standard(number_: int, words: str) -> None:
    for written in (f'{number_},"{words}"', f'{number_:+d},"{words}"', f"{number_}, {words}", f'{number_} , "{words}"'):
        assert error_of(written) == (number_, words)
    assert error_of(f'{number_},"{words};in VOLT 40"') == (
        number_,
        f"{words};in VOLT 40",
    )  # more may stand behind a semicolon


@pytest.mark.published
@pytest.mark.parametrize("reply", ['+0,"No error"', '0,"No error"', "0,No error", "+0, NO ERROR", "0", "+0"])
def test_no_error_as_instruments_answer_it(reply: str) -> None:
    # SCPI-1999 volume 2, chapter 21 prints 0,"No error"; the other spellings are those of instruments on the market
    # (common practice, no source).
    assert error_of(reply)[0] == 0


@pytest.mark.parametrize("reply", ["", "1", "-113", "No error", "1.25", "+1.25E+00", "-,x", "\ufffd0,x"])
def test_what_is_no_error_reply(reply: str) -> None:
    """A number alone may be a late answer to another question."""
    with pytest.raises(NoNumber):
        error_of(reply)


@pytest.mark.published
@pytest.mark.parametrize(
    ("text", "value"),
    # IEEE 488.2, chapter 8: NR1 is an integer, NR2 has a point, NR3 a point and an exponent.
    [
        ("12", 12.0),
        ("-3", -3.0),
        ("+1.25", 1.25),
        ("-.5", -0.5),
        ("3.", 3.0),
        ("+1.25000000E+00", 1.25),
        ("4.2e-3", 0.0042),
    ],
)
def test_numbers_in_the_three_forms(text: str, value: float) -> None:
    assert number(text) == value


@pytest.mark.published
@pytest.mark.parametrize("text", ["9.9E37", "-9.9E37", "9.90000000E+37", "+9.9E+37", "9.91E37", "9.91000E+37", "1E38"])
def test_infinity_and_not_a_number_are_no_values(text: str) -> None:
    # SCPI-1999 volume 1, chapter 7: 9.9E37, -9.9E37 and 9.91E37; digits behind them as instruments print them.
    with pytest.raises(Overload, match="not a number" if "91" in text else "overload"):
        number(text)


@given(st.floats(0.0, 1e6))
def test_numbers_are_written_with_a_point_and_no_exponent(value: float) -> None:
    assert re.fullmatch(r"\d+\.\d+", decimal(value))
    assert number(decimal(value)) == pytest.approx(value, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("text", ["", "1,2", "nan", "inf", "0x10", "1 V", "--1", "E3", "1e", "VOLT"])
def test_what_is_no_number(text: str) -> None:
    with pytest.raises(NoNumber):
        number(text)


@pytest.mark.published
@pytest.mark.parametrize(
    ("long", "short"),
    # SCPI-1999 volume 1, chapter 6: the first four letters, three where the fourth is a vowel; four letters stay.
    [
        ("VOLTAGE", "VOLT"), ("MEASURE", "MEAS"), ("POWER", "POW"), ("FREQUENCY", "FREQ"), ("ERROR", "ERR"),
        ("IMMEDIATE", "IMM"), ("RESISTANCE", "RES"), ("CURRENT", "CURR"), ("OUTPUT", "OUTP"), ("AUTO", "AUTO"),
        ("FREE", "FREE"), ("DC", "DC"),
    ],
)  # fmt: skip
def test_short_forms(long: str, short: str) -> None:
    for written in (long, long.lower(), short, short.lower(), long.replace(short, short, 1)):
        assert short_form(written) == short
    assert short_form(short + long[len(short) :].lower()) == short
    assert short_form(f"sense2:{long}:DC") == f"SENS2:{short}:DC"


def test_a_short_form_that_the_rule_does_not_give_is_known_by_its_capitals() -> None:
    assert short_form("TCouple") == "TC"
    with pytest.raises(ValueError, match="no SCPI header"):
        short_form("VOLT?")


@pytest.mark.published
@pytest.mark.parametrize(
    ("answer", "data"),
    # IEEE 488.2, 8.7.9: #, how many digits, how many bytes, the bytes.
    [(b"#15HELLO", b"HELLO"), (b"#210ABCDEFGHIJ", b"ABCDEFGHIJ"), (b"#13\x01\x02\x03", b"\x01\x02\x03"), (b"#10", b"")],
)
def test_blocks_of_definite_length(answer: bytes, data: bytes) -> None:
    assert block(answer) == block(answer + b"\n") == block(answer + b"\r\n") == data
    offset, length = pyvisa.util.parse_ieee_block_header(answer)
    assert data == answer[offset : offset + length]


@given(st.lists(st.floats(-(2.0**126), 2.0**126, width=32), min_size=1, max_size=40), st.sampled_from([32, 64]))
def test_blocks_as_another_library_makes_them(values: list[float], bits: int) -> None:
    made = pyvisa.util.to_ieee_block(values, datatype="f" if bits == 32 else "d", is_big_endian=True)
    assert reals(block(bytes(made) + b"\n"), bits, len(values)) == values


@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize("bad", [9.9e37, -9.9e37, 9.91e37, math.inf, math.nan])
def test_a_value_that_is_none_in_a_block(bad: float, bits: int) -> None:
    with pytest.raises(Overload):
        reals(struct.pack(">fff" if bits == 32 else ">ddd", 1.0, bad, 2.0), bits, 3)


@pytest.mark.parametrize("answer", [b"", b"#", b"#0abc\n", b"#15HELL", b"#15HELLOW\n", b"#2aHELLO", b"1.25\n", b"#x"])
def test_what_is_no_block(answer: bytes) -> None:
    with pytest.raises(NoNumber):
        block(answer)
    with pytest.raises(NoNumber):
        reals(b"\0" * 15, 64, 2)


@given(st.binary(max_size=300), st.data())
def test_fault_24_a_block_is_gathered_however_it_is_cut(payload: bytes, data: st.DataObject) -> None:
    """Line feeds among its bytes end nothing, and nothing is taken before the line end behind it."""
    answer = f"#{len(str(len(payload)))}{len(payload)}".encode() + payload + b"\n"
    until = whole_block()
    cut = data.draw(st.integers(0, len(answer) - 1))
    assert until(answer[:cut]) is None
    assert until(answer) == slice(0, len(answer))
    assert until(answer + b"+0\n") == slice(0, len(answer))
    assert until(b"?x" + answer) == slice(2, 2 + len(answer))


@given(st.binary(max_size=200))
def test_any_bytes_are_an_answer_or_not_yet_one(received: bytes) -> None:
    span = whole_block()(received)
    assert span is None or received[span].endswith(b"\n")


def test_a_line_in_the_place_of_a_block_and_a_length_beyond_all_bounds() -> None:
    until = whole_block()
    assert until(b"+1.25\n") == slice(0, 6)
    assert until(b"#0abc") is None
    assert until(b"#0abc\n") == slice(0, 6)
    too_long = f"#7{LONGEST_BLOCK + 1:07d}".encode()
    assert until(too_long + b"ab\n") == slice(0, len(too_long) + 3)
