"""Lines of G-code, against the interpreter's standard and the published answer codes.

Sources: the interface document of the open Grbl 1.1 motion firmware (doc/markdown/interface.md, error table;
jogging.md), cited as interface and jogging; "The NIST RS274NGC Interpreter - Version 3" (NISTIR 6556, 2000), cited as
NIST, what it says of each code from memory.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd_simulators.firmware.gcode import GcodeRefused, Modal, Step, carry_out, parse, parse_jog, tidy
from benchd_simulators.firmware.planner import Planner
from benchd_simulators.world.motor import Motor


def run(line: str, modal: Modal | None = None, at_mm: float = 0.0) -> tuple[Modal, Step]:
    return carry_out(parse(tidy(line.encode())), modal or Modal(), {"Z": at_mm})


def refused(line: str, modal: Modal | None = None) -> int:
    with pytest.raises(GcodeRefused) as caught:
        run(line, modal)
    return caught.value.number


@pytest.mark.published
@pytest.mark.parametrize(
    ("line", "number"),
    [
        ("10", 1),  # interface: words consist of a letter and a value; letter was not found
        ("G", 2),  # interface: numeric value format is not valid or missing an expected value
        ("G1 Z1 F-5", 4),  # interface: negative value received for an expected positive value
        ("G2 Z1", 20),  # interface: unsupported command (arcs need two axes)
        ("G0 G1 Z1", 21),  # interface: more than one command from the same modal group
        ("G1 Z1", 22),  # interface: feed rate has not yet been set
        ("G92 G1 Z1 F9", 24),  # interface: two commands that both require the axis words
        ("G0 Z1 Z2", 25),  # interface: a word was repeated
        ("G92", 26),  # interface: requires axis words but none were detected
        ("G4", 28),  # interface: is missing some required P or L value words
        ("G80 Z1", 31),  # interface: unused axis words and G80 motion mode cancel is active
        ("G0 P3", 36),  # interface: unused, leftover words
    ],
)
def test_refusals_carry_the_published_number(line: str, number: int) -> None:
    assert refused(line) == number


@pytest.mark.published
def test_comments_spaces_and_case_do_not_matter() -> None:
    # NIST: spaces and case do not matter; comments stand in parentheses.
    assert run("g0 (to the far end) Z +1 . 5")[1].move_mm == {"Z": 1.5}


@pytest.mark.published
def test_machine_coordinates_ignore_offset_and_distance_mode_and_last_one_line() -> None:
    # NIST: G53 is not modal, must be on each line where it is wanted, and disregards offsets.
    modal = Modal(g54_mm={"Z": 2.0}, g92_mm={"Z": 0.5}, absolute=False)
    after, step = run("G53 G0 Z4", modal, at_mm=10.0)
    assert step.move_mm == {"Z": 4.0}
    assert run("G0 Z4", after, at_mm=4.0)[1].move_mm == {"Z": 8.0}


@pytest.mark.published
def test_g92_makes_the_present_place_read_as_told_without_moving() -> None:
    # NIST: "the current point have the coordinates you want"; no motion takes place.
    after, step = run("G92 Z7", Modal(g54_mm={"Z": 1.0}), at_mm=10.0)
    assert step.move_mm is None
    assert 10.0 - after.offset_mm("Z") == pytest.approx(7.0)
    assert run("G92.1", after)[0].g92_mm == {}


@pytest.mark.published
def test_g10_l2_sets_the_origin_and_l20_the_present_place() -> None:
    # NIST for L2. L20 is the later addition that interface's commands.md names beside it.
    assert run("G10 L2 P1 Z3")[0].offset_mm("Z") == 3.0
    after, _ = run("G10 L20 P1 Z3", at_mm=10.0)
    assert 10.0 - after.offset_mm("Z") == pytest.approx(3.0)


@pytest.mark.published
def test_inches() -> None:
    # NIST: G20 inches; an inch is 25.4 mm exactly.
    after, step = run("G20 G1 Z0.5 F10")
    assert step.move_mm is not None
    assert step.move_mm["Z"] == pytest.approx(12.7)
    assert step.feed_mm_min == pytest.approx(254.0)
    assert after.inches


@pytest.mark.published
@pytest.mark.parametrize(
    ("line", "target_mm"),
    [
        ("G91G20Z0.5F10", 22.7),  # jogging, second example: +0.5 inches moves to 22.7 mm from 10 mm
        ("G53Z5.0F10", 5.0),  # jogging, third example: machine 5.0, offset 2.0
        ("Z10F10", 12.0),  # jogging: in the work frame, here with an offset of 2
    ],
)
def test_jog_targets(line: str, target_mm: float) -> None:
    target, feed = parse_jog(line, Modal(g54_mm={"Z": 2.0}), {"Z": 10.0})
    assert target == {"Z": pytest.approx(target_mm)}
    assert feed == pytest.approx(10.0 * (25.4 if "G20" in line else 1.0))


@pytest.mark.published
@pytest.mark.parametrize(("line", "number"), [("Z1", 22), ("F10", 26), ("G1Z1F10", 16), ("Z1F10S5", 16)])
def test_jog_refusals(line: str, number: int) -> None:
    # jogging: F and an axis are required; all other commands and value words are not accepted (interface, error 16).
    with pytest.raises(GcodeRefused) as caught:
        parse_jog(line, Modal(), {"Z": 0.0})
    assert caught.value.number == number


def test_a_refused_line_changes_nothing() -> None:
    modal = Modal(g54_mm={"Z": 2.0})
    assert refused("G91 G20 G1 Z1 F5 P3", modal) == 36
    assert modal == Modal(g54_mm={"Z": 2.0})


def test_a_dwell_of_zero_and_a_power_alone() -> None:
    assert run("G4 P0")[1].dwell_s == 0
    assert run("S250", Modal(spindle=3))[1].power == (3, 250)


@given(st.binary(max_size=100))
def test_any_bytes_are_understood_or_refused(line: bytes) -> None:
    refused_as = 0
    try:
        carry_out(parse(tidy(line)), Modal(), {"Z": 0.0})
    except GcodeRefused as refusal:
        refused_as = refusal.number
    assert 0 <= refused_as <= 36


def test_words_of_several_axes_are_one_move_of_those_alone() -> None:
    at_mm = {"X": 1.0, "Y": 2.0, "Z": 3.0}
    after, step = carry_out(parse("G91G1X1Z-2F10", "XYZ"), Modal(), at_mm)
    assert step.move_mm == {"X": 2.0, "Z": 1.0}
    assert carry_out(parse("G92Y0", "XYZ"), after, at_mm)[0].offset_mm("Y") == 2.0
    with pytest.raises(GcodeRefused) as refused:
        parse("G1A5", "XYZ")
    assert refused.value.number == 20


def test_axes_of_one_move_share_its_speed_and_end_together() -> None:
    # A straight line at 50 um/s over 30 and 40 um: 30 and 40 um/s, 1 s either (ramps left out, at an endless pull).
    now = 0.0
    motors = {axis: Motor(1e12, lambda: now) for axis in "XYZ"}
    planner = Planner(motors, lambda power: None)
    planner.add({"X": 30.0, "Y": -40.0, "Z": 0.0}, 50.0, jog=False, power=0.0)
    planner.poll()
    assert [motors[axis].rests_in_s for axis in "XYZ"] == pytest.approx([1.0, 1.0, 0.0], abs=1e-6)
    now = 0.5
    assert [motors[axis].position_um for axis in "XYZ"] == pytest.approx([15.0, -20.0, 0.0])
    now = 1.1
    planner.poll()
    assert not planner.busy
