"""Lengths and times as people and programs write them."""

from __future__ import annotations

import math
import time
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.errors import Refused
from benchd.quantities import length, utc_seconds


# The inch is 25.4 mm exactly (international yard and pound agreement, 1959).
@pytest.mark.published
@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("2 ft 6 in", 762.0),
        (".690 in", 17.526),
        ("1 thou", 0.0254),
        ("2' 6\"", 762.0),
        ("2′6″", 762.0),
        ("1 ft", 304.8),
    ],
)
def test_inches_and_feet(text: str, mm: float) -> None:
    assert length(text, "mm") == pytest.approx(mm, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "um"),
    [("10 um", 10.0), ("0.4 mm", 400.0), ("-3 µm", -3.0), ("+1e3um", 1000.0), ("-2 ft 6 in", -762000.0), ("5 m", 5e6)],
)
def test_lengths(text: str, um: float) -> None:
    assert length(text) == pytest.approx(um, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("9**9**9 um", "Write a number and its unit"),
        ("1,5 mm", "decimal point"),
        ("nan um", "Write a number and its unit"),
        ("inf um", "Write a number and its unit"),
        ("10", "Write a number and its unit"),
        ("", "Write a number and its unit"),
        ("10 parsec", "'parsec' is no unit here"),
        ("5 kin", "'kin' is no unit here"),
        ("3 mil", "'mil' is no unit here"),
        ("1e400 um", "no unit here"),
        ("5 s", "no unit here"),
        ("1 deg", "wrong kind of unit"),
        ("5 K", "wrong kind of unit"),
        ("6 in 2 ft", "larger units first"),
        ("2 ft 2 ft", "larger units first"),
        ("2.5 ft 6 in", "Only the last number"),
        ("2 ft -6 in", "Write a number and its unit"),
        ("1" * 70 + " um", "Write a number and its unit"),
        ("٣ um", "Write a number and its unit"),
        ("__import__ um", "Write a number and its unit"),
    ],
)
def test_nonsense_is_refused_with_advice(text: str, advice: str) -> None:
    with pytest.raises(Refused) as caught:
        length(text)
    assert caught.value.code == "bad_request"
    assert advice in caught.value.advice


def test_the_range_of_a_key_is_held() -> None:
    assert length("5 m", "mm", low=1000, high=1e5) == pytest.approx(5000.0)
    with pytest.raises(Refused, match="between 1000 and 100000 mm"):
        length("5 mm", "mm", low=1000, high=1e5)


@settings(deadline=None)
@given(st.text(alphabet="0123456789.eE+-* umftin'\"", max_size=64))
def test_no_text_holds_the_reader_up(text: str) -> None:
    began = time.perf_counter()
    with suppress(Refused):
        assert math.isfinite(length(text))
    assert time.perf_counter() - began < 10.0


# RFC 3339, section 5.8; the seconds by the proleptic Gregorian calendar.
@pytest.mark.published
@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1996-12-20T00:39:57Z", 851042397.0),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
        ("1990-12-31T23:59:60Z", 662688000.0),
        ("1990-12-31T15:59:60-08:00", 662688000.0),
        ("1985-04-12t23:20:50.52z", 482196050.52),
    ],
)
def test_rfc_3339(text: str, seconds: float) -> None:
    assert utc_seconds(text) == pytest.approx(seconds, abs=1e-6)


# What ISO 8601 allows and RFC 3339 (sections 5.6, 5.7) does not.
@pytest.mark.published
@pytest.mark.parametrize(
    "text",
    [
        "19850412T232050Z",
        "1985-W15-5T10:00:00Z",
        "1985-04-12T23:20:50,5Z",
        "1985-04-12T23:20Z",
        "1985-04-12",
        "1985-04-12T23:20:50",
        "1985-04-12T24:00:00Z",
        "1985-02-29T00:00:00Z",
        "1990-12-30T23:59:60Z",
        "1990-12-31T22:59:60Z",
        "1985-04-12T23:20:61Z",
        "1985-04-12T23:20:50+24:00",
        "1985-04-12T23:20:50+0100",
        "",
    ],
)
def test_what_is_not_rfc_3339(text: str) -> None:
    with pytest.raises(Refused, match="is no time"):
        utc_seconds(text)
