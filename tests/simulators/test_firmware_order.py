"""What the real 1.1 series does on the wire beside its documents: order, silence, and what is lost. Observed on such
boards over both kinds of line; common practice, no source, where no document is named."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from .conftest import Bench, BoardPort

UNLOCK = "[MSG:'$H'|'$X' to unlock]"
BANNER = "RSim 1.1 ['$' for help]"

both_lines = pytest.mark.parametrize("native", [False, True], ids=["paced", "native"])


def light(board: BoardPort) -> str:
    """The `FS:` of a report."""
    return next(field for field in board.status()[2].split("|") if field.startswith("FS:"))


def quiet(board: BoardPort, seconds: float = 0.3) -> None:
    board.port.timeout, usual = seconds, board.port.timeout
    assert board.line() == ""
    board.port.timeout = usual


@both_lines
def test_a_hold_at_rest_makes_it_deaf_to_lines(bench: Bench, homed: BoardPort, native: bool) -> None:
    bench.fault("board", "native", value=native)
    homed.write(b"!")
    time.sleep(0.05)
    assert homed.status()[0] == "Hold:0"
    homed.write(b"G4 P0\n")
    quiet(homed)
    homed.write(b"~")
    assert homed.answer() == "ok"
    assert homed.status()[0] == "Idle"


@both_lines
def test_of_a_hold_and_a_query_that_come_together_the_report_is_first(
    bench: Bench, homed: BoardPort, native: bool
) -> None:
    bench.fault("board", "native", value=native)
    homed.write(b"!?")
    assert homed.line().startswith("<Idle|" if native else "<Hold:0|")
    assert homed.status()[0] == "Hold:0"


@both_lines
def test_queries_while_homing_are_answered_once_at_the_end(bench: Bench, board: BoardPort, native: bool) -> None:
    bench.fault("board", "native", value=native)
    board.write(b"$H\n")
    for _ in range(5):
        time.sleep(0.05)
        board.write(b"?")
    quiet(board)
    board.port.timeout = 20
    told = board.lines_until("ok")
    assert len(told) == 2
    assert told[0].startswith("<Home|")


def test_a_build_that_tells_while_homing(bench: Bench, board: BoardPort) -> None:
    bench.fault("board", "homing_reports")
    board.write(b"$H\n")
    time.sleep(0.1)
    assert board.status()[0] == "Home"


def test_homing_darkens_the_output_and_the_next_move_lights_it(homed: BoardPort) -> None:
    homed.ask("M3 S500")
    homed.home()
    assert light(homed) == "FS:0,0"
    assert homed.ask("M3 S500") == "ok"  # in force already: nothing is done
    assert light(homed) == "FS:0,0"
    homed.ask("G1 Z-3 F240")
    homed.wait_for("Idle")
    assert light(homed) == "FS:0,500"


@pytest.mark.parametrize(("what", "alarm"), [("reset", 6), ("door", 7)])
def test_homing_broken_off_is_an_alarm_then_ok_then_the_banner(
    bench: Bench, homed: BoardPort, what: str, alarm: int
) -> None:
    homed.ask("G1 Z-20 F240")
    homed.wait_for("Idle")
    homed.write(b"$H\n")
    time.sleep(0.2)
    homed.write(b"\x18" if what == "reset" else b"\x84")
    told = homed.lines_until(BANNER)
    assert told == ["[MSG:Check Door]"] * (what == "door") + [f"ALARM:{alarm}", "ok", "", BANNER]
    assert homed.lines_until(UNLOCK)[-1] == UNLOCK
    stands = homed.status()[1]
    time.sleep(0.2)
    assert homed.status()[:2] == ("Alarm", stands)


def test_a_reset_answers_the_light_that_waited(homed: BoardPort) -> None:
    homed.ask("G1 Z-20 F120")
    homed.write(b"M3 S300\n")
    time.sleep(0.1)
    homed.write(b"!")
    homed.wait_for("Hold:0")
    homed.write(b"\x18")
    assert homed.lines_until(BANNER) == ["ok", "", BANNER]
    assert light(homed) == "FS:0,0"


def test_half_a_second_after_a_limit_it_is_deaf_to_a_reset_too(homed: BoardPort) -> None:
    homed.write(b"G1 Z5 F240\n")
    assert homed.line() == "ALARM:2"
    began = time.monotonic()
    homed.write(b"\x18")
    assert homed.line() == "[MSG:Reset to continue]"
    assert time.monotonic() - began > 0.4
    homed.write(b"?")
    quiet(homed)
    homed.write(b"\x18")
    assert homed.lines_until(BANNER) == ["ok", "", BANNER]


def test_a_power_beyond_the_greatest_is_the_greatest(homed: BoardPort) -> None:
    homed.ask("M3 S1500")
    assert light(homed) == "FS:0,1000"
    homed.ask("$30=255")
    homed.ask("$31=20")
    homed.ask("M3 S5")
    assert light(homed) == "FS:0,20"
    homed.ask("M5")
    assert light(homed) == "FS:0,0"


def test_reports_in_inches(homed: BoardPort) -> None:
    homed.ask("$13=1")
    homed.write(b"?")
    assert "MPos:0.0000,0.0000,-0.0394" in homed.line()


def test_laser_mode_is_dark_outside_cutting_moves(homed: BoardPort) -> None:
    homed.ask("$32=1")
    homed.ask("G0")
    homed.ask("M3 S500")
    assert light(homed) == "FS:0,0"
    homed.ask("G1 Z-8 F240")
    assert light(homed).endswith(",500")


def test_a_build_without_pwm_tells_no_level(bench: Bench, homed: BoardPort) -> None:
    bench.fault("board", "pwm", value=False)
    homed.ask("M3 S1")
    assert "F:0" in homed.status()[2].split("|")
    homed.write(b"$I\n")
    assert "[OPT:,15,128]" in homed.lines_until("ok")


@pytest.mark.published
def test_sleep_ends_by_a_reset_and_locked(homed: BoardPort) -> None:
    # commands.md, $SLP: left by a soft reset only, in alarm, as the motors were off.
    homed.ask("M3 S500")
    assert homed.ask("$SLP") == "ok"
    assert homed.status()[0] == "Sleep"
    assert light(homed) == "FS:0,0"
    homed.write(b"G4 P0\n")
    quiet(homed)
    homed.write(b"\x18")
    homed.lines_until(UNLOCK)
    assert homed.status()[0] == "Alarm"


def test_identity_is_told_at_rest_only(homed: BoardPort) -> None:
    assert homed.ask("$C") == "ok"
    assert homed.ask("$I") == "error:8"
    assert homed.ask("$J=G91 Z-1 F100") == "error:8"
    homed.ask("$C")
    homed.lines_until(BANNER)
    homed.ask("G1 Z-20 F60")
    assert homed.ask("$I") == "error:8"


@pytest.mark.published
def test_the_door_byte_without_a_door(homed: BoardPort) -> None:
    # interface.md: Door:0 closed, ready to resume.
    homed.write(b"\x84")
    assert homed.line() == "[MSG:Check Door]"
    assert homed.status()[0] == "Door:0"
    homed.write(b"~")
    assert homed.status()[0] == "Idle"


def test_spaces_do_not_count(homed: BoardPort) -> None:
    assert homed.ask("G4 P0" + " " * 100) == "ok"
    assert homed.ask("G4 P" + "0" * 80) == "error:11"


def test_a_machine_with_its_origin_at_the_switch(start_bench: Callable[..., Bench]) -> None:
    bench = start_bench("--pace", "5", "--native")
    bench.fault("board", "origin_at_switch")
    board = BoardPort(bench.serial())
    board.home()
    assert board.status()[1] == 0.0
    assert board.ask("$J=G53 G90 Z-30.9 F200") == "ok"
    assert board.ask("$J=G53 G90 Z0.1 F200") == "error:15"


def test_a_board_that_homes_to_its_minus_end(bench: Bench, board: BoardPort) -> None:
    board.ask("$3=0")
    board.ask("$23=4")
    board.home()
    assert board.status()[1] == -30.0  # -$132 and the pull-off
    assert bench.truth()["now"]["carriage_um"] == pytest.approx(-500, abs=60)


def test_a_door_in_a_jog_ends_the_jog_first(bench: Bench, homed: BoardPort) -> None:
    homed.ask("$J=G90 Z-20 F200")
    bench.fault("board", "open_door")
    homed.lines_until("[MSG:Check Door]")
    homed.wait_for("Door:1")
    bench.fault("board", "shut_door")
    assert homed.status()[0] == "Door:0"
