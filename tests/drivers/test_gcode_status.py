"""Reports of G-code controllers: machine and work positions, missing fields, masks, damage."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd_drivers.gcode_status import BANNER, REPORT, parse_report
from benchd_drivers.link.intake import Intake


def test_machine_position_is_taken_as_it_stands() -> None:
    report = parse_report(b"<Idle|MPos:0.000,-1.500,12.345|FS:0,400|WCO:0.000,0.000,2.000|Pn:Z>", 1.0)
    assert report is not None
    assert report.machine(None) == (0.0, -1.5, 12.345)
    assert (report.state, report.sub, report.pins, report.spindle) == ("Idle", None, "Z", 400.0)
    assert report.at_rest


def test_work_position_needs_the_offset_of_this_or_an_earlier_report() -> None:
    first = parse_report(b"<Run|WPos:1.000,2.000,3.000|F:240|WCO:10.000,0.000,-1.500>", 0.0)
    later = parse_report(b"<Run|WPos:1.000,2.000,4.000>", 0.0)
    assert first is not None
    assert later is not None
    assert first.machine(None) == (11.0, 2.0, 1.5)
    assert later.machine(None) is None
    assert later.machine(first.wco) == (11.0, 2.0, 2.5)


@pytest.mark.parametrize(
    ("raw", "state", "sub", "rest"),
    [
        (b"<Hold:0|MPos:0.000,0.000,0.000>", "Hold", 0, True),
        (b"<Hold:1|MPos:0.000,0.000,0.000>", "Hold", 1, False),
        (b"<Hold|MPos:0.000,0.000,0.000>", "Hold", None, False),
        (b"<Door:2|MPos:0.000,0.000,0.000>", "Door", 2, False),
        (b"<Jog>", "Jog", None, False),
        (b"<Alarm|Bf:15,128>", "Alarm", None, True),
    ],
)
def test_states(raw: bytes, state: str, sub: int | None, rest: bool) -> None:
    report = parse_report(raw, 0.0)
    assert report is not None
    assert (report.state, report.sub, report.at_rest) == (state, sub, rest)


@pytest.mark.parametrize(
    "raw",
    [
        b"<Idle|MPos:0.000,0.0#0,0.000>",
        b"<Idle|MPos:0.000,nan,0.000>",
        b"<Idle|MPos:>",
        b"<Idle|MPos:0.000,1e999,0.000>",
        b"<Hold:x|MPos:0.000,0.000,0.000>",
        b"<Idle|FS:0>",
    ],
)
def test_damaged_report_is_no_report(raw: bytes) -> None:
    assert parse_report(raw, 0.0) is None


@pytest.mark.parametrize(
    ("text", "name", "version"),
    [
        ("RSim 1.1 ['$' for help]", "RSim", "1.1"),
        ("Grbl 1.1h ['$' for help]", "Grbl", "1.1h"),
        ("Some Board 2.0b ['$' for help]", "Some Board", "2.0b"),
    ],
)
def test_banners(text: str, name: str, version: str) -> None:
    found = BANNER.match(text)
    assert found
    assert (found["name"], found["version"]) == (name, version)


@pytest.mark.parametrize("text", ["ok", "error:9", "ALARM:1", "[MSG:'$H'|'$X' to unlock]", "[HLP:$$ $# $G $I]", ""])
def test_no_banners(text: str) -> None:
    assert BANNER.match(text) is None


@given(st.binary(max_size=120))
def test_no_bytes_crash_the_parser(noise: bytes) -> None:
    report = parse_report(b"<" + noise + b">", 0.0)
    assert report is None or isinstance(report.state, str)


@given(st.lists(st.binary(max_size=300), max_size=30), st.booleans())
def test_no_bytes_make_the_intake_grow_or_lose_its_step(pieces: list[bytes], asked: bool) -> None:
    intake = Intake(bound=256)
    if asked:
        pattern = re.compile(REPORT)

        def until(received: bytes) -> slice | None:
            found = pattern.search(received)
            return slice(*found.span()) if found else None

        intake.ask(until)
    for piece in pieces:
        outcome = intake.feed(piece)
        assert all(b"\n" not in text for text in (*outcome.lines, *outcome.later))
    intake.give_up()
    outcome = intake.feed(b"\nok\n")
    assert outcome.lines[-1] == b"ok"
    assert intake.feed(b"").lines == ()
