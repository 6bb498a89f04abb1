"""The motion board over its real port: states, answers, motion. Published facts: Grbl 1.1, doc/markdown/interface.md,
jogging.md, commands.md (cited by name)."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from .conftest import Bench, BoardPort

UNLOCK = "[MSG:'$H'|'$X' to unlock]"
BANNER = "RSim 1.1 ['$' for help]"


@pytest.mark.published
def test_powers_up_locked_until_homed_or_unlocked(board: BoardPort) -> None:
    # commands.md, $X: with homing enabled it powers up in alarm and locks G-code; interface.md, error 9.
    assert board.status()[0] == "Alarm"
    assert board.ask("G0 Z1") == "error:9"
    assert board.ask("$J=G91 Z1 F60") == "error:8"  # commands.md, $J: in Idle and Jog only
    board.write(b"$X\n")
    assert board.lines_until("ok") == ["[MSG:Caution: Unlocked]", "ok"]
    assert board.status()[0] == "Idle"
    assert board.ask("G21 G90") == "ok"


def test_homing_answers_when_done_and_counts_from_the_pull_off(bench: Bench, board: BoardPort) -> None:
    board.write(b"$H\n")
    board.port.timeout = 20
    assert board.line() == "ok"
    state, z_mm, _ = board.status()
    assert (state, z_mm) == ("Idle", -1.0)
    # The world's switch stands at -1500 um with 3 um of scatter; the pull-off is 1 mm. The rest is play of the nut,
    # screw error and the way of the carriage while the pulses are cut.
    assert bench.truth()["now"]["carriage_um"] == pytest.approx(-500, abs=60)


def test_homing_again_comes_back_to_the_same_place(bench: Bench, homed: BoardPort) -> None:
    places = []
    for _ in range(3):
        homed.home()
        time.sleep(0.2)
        places.append(bench.truth()["now"]["carriage_um"])
    # Scatter of the switch 3 um (1 sigma), overrun 10 um at most.
    assert max(places) - min(places) < 30


def test_a_move_ends_where_it_was_told(homed: BoardPort) -> None:
    assert homed.ask("G21 G90 G1 Z-5 F240") == "ok"
    assert homed.status()[0] == "Run"
    assert homed.wait_for("Idle") == -5.0


def test_speed_is_what_was_asked(start_bench: Callable[..., Bench]) -> None:
    board = BoardPort(start_bench().serial())
    board.ask("$X")
    board.ask("$20=0")
    took = []
    for to_and_fro in (2, -2, 2, -2, 2):
        began = time.monotonic()
        assert board.ask(f"G91 G1 Z{to_and_fro} F120") == "ok"  # at 2 mm/s, 0.1 s to gain and 0.1 s to lose the speed
        board.wait_for("Idle")
        took.append(time.monotonic() - began)
    assert 1.0 <= min(took) < 2.0, "a busy machine adds to some; half the speed would take 2.05 s"


@pytest.mark.published
def test_ok_comes_on_acceptance_and_the_sixteenth_waits(homed: BoardPort) -> None:
    # interface.md: ok says parsed and accepted; the planner's room is told by Bf. 15 blocks: its own Bf example.
    homed.ask("$10=3")
    homed.port.timeout = 0.3
    for move in range(15):
        assert homed.ask(f"G1 Z{-5 - move % 2} F60") == "ok"
    homed.write(b"?")
    assert "|Bf:0,128|" in homed.line()
    homed.write(b"G1 Z-9 F60\n")
    assert homed.line() == ""
    homed.write(b"\x18")
    homed.lines_until(UNLOCK)


def test_moves_of_one_direction_run_into_each_other(start_bench: Callable[..., Bench]) -> None:
    board = BoardPort(start_bench().serial())
    board.ask("$X")
    board.ask("$20=0")
    speeds = []
    for move in range(5):
        assert board.ask(f"$J=G90 Z{move + 1} F240") == "ok"
    while (report := board.status())[0] == "Jog":
        speeds.append((report[1], int(report[2].split("FS:")[1].split(",")[0])))
    assert min(speed for z_mm, speed in speeds if 0.9 < z_mm < 4.1) == 240
    assert board.status()[1] == 5.0


@pytest.mark.published
@pytest.mark.parametrize("byte", [b"\x85", b"!"])
def test_a_jog_is_cancelled_and_its_queue_with_it(homed: BoardPort, byte: bytes) -> None:
    # jogging.md: cancelled at any time, the queued jogs flushed, back to Idle without a reset.
    for move in range(4):
        assert homed.ask(f"$J=G90 Z{-5 * (move % 2) - 5} F200") == "ok"
    assert homed.status()[0] == "Jog"
    homed.write(byte)
    stopped = homed.wait_for("Idle")
    time.sleep(0.3)
    assert homed.status()[1] == stopped
    assert homed.ask("$J=G91 Z0.1 F200") == "ok"


@pytest.mark.published
def test_jog_and_program_do_not_mix(homed: BoardPort) -> None:
    # jogging.md: a jog only in Idle or Jog; G-code while jogging is locked out (error 9). error 8: not idle.
    homed.ask("$J=G90 Z-20 F60")
    assert homed.ask("G0 Z1") == "error:9"
    homed.write(b"\x85")
    homed.wait_for("Idle")
    homed.ask("G1 Z-20 F60")
    assert homed.ask("$J=G90 Z-2 F60") == "error:8"
    assert homed.ask("$$") == "error:8"


@pytest.mark.published
def test_a_jog_beyond_the_travel_is_ignored(homed: BoardPort) -> None:
    # interface.md, error 15: jog target exceeds machine travel, command ignored; commands.md: no alarm.
    assert homed.ask("$J=G53 G90 Z-31.1 F200") == "error:15"
    assert homed.ask("$J=G91 Z1.1 F200") == "error:15"
    assert homed.status()[0] == "Idle"


@pytest.mark.published
def test_a_move_beyond_the_travel_is_alarm_2_and_keeps_the_place(homed: BoardPort) -> None:
    # interface.md: ALARM:2 position safely retained, may be unlocked; [MSG:Reset to continue]; no reports until reset.
    homed.ask("G1 Z-3 F240")
    homed.write(b"G1 Z-40 F240\n")
    assert homed.lines_until("[MSG:Reset to continue]") == ["ALARM:2", "[MSG:Reset to continue]"]
    homed.port.timeout = 0.3
    homed.write(b"?")
    assert homed.line() == ""
    homed.write(b"\x18")
    assert homed.lines_until(UNLOCK) == ["ok", "", BANNER, UNLOCK]
    homed.port.timeout = 2
    place = homed.status()[1]
    homed.ask("$X")
    assert homed.ask("G1 Z-2 F240") == "ok"
    assert homed.wait_for("Idle") == -2.0
    assert -3 <= place <= -1


@pytest.mark.published
def test_hold_and_resume(homed: BoardPort) -> None:
    # interface.md: Hold:1 in progress, Hold:0 complete, ready to resume.
    homed.ask("G1 Z-8 F240")
    time.sleep(0.1)
    homed.write(b"!")
    held = homed.wait_for("Hold:0")
    assert -8 < held < -1
    homed.write(b"$$\n")  # in a hold no line is looked at
    homed.port.timeout = 0.3
    assert homed.line() == ""
    homed.port.timeout = 2
    homed.write(b"~")
    assert homed.answer() == "error:8"
    assert homed.wait_for("Idle") == -8.0


@pytest.mark.published
def test_a_reset_in_motion_loses_the_place(homed: BoardPort) -> None:
    # interface.md, ALARM:3: reset while in motion; then the welcome message and the lock.
    homed.ask("G1 Z-8 F240")
    homed.ask("G1 Z-2 F240")
    time.sleep(0.1)
    homed.write(b"\x18")
    assert homed.lines_until(UNLOCK) == ["ALARM:3", "", BANNER, UNLOCK]
    stopped = homed.status()[1]
    time.sleep(0.2)
    assert homed.status()[:2] == ("Alarm", stopped)


def test_a_reset_at_rest_or_in_a_finished_hold_keeps_the_place(homed: BoardPort) -> None:
    homed.ask("G1 Z-4 F240")
    homed.wait_for("Idle")
    homed.write(b"\x18")
    assert homed.lines_until(BANNER) == ["", BANNER]
    assert homed.status()[:2] == ("Idle", -4.0)
    homed.ask("G1 Z-8 F240")
    homed.write(b"!")
    held = homed.wait_for("Hold:0")
    homed.write(b"\x18")
    homed.lines_until(BANNER)
    assert homed.status()[:2] == ("Idle", held)


@pytest.mark.published
def test_homing_fails_where_the_switch_never_trips_or_never_lets_go(bench: Bench, board: BoardPort) -> None:
    # interface.md: ALARM:9 not found within the search distance (1.5 x travel), ALARM:8 not cleared by the pull-off.
    board.port.timeout = 20
    bench.fault("world", "switch_never")
    board.write(b"$H\n")
    assert board.lines_until(UNLOCK)[0] == "ALARM:9"
    assert board.ask("G0 Z1") == "error:9"
    bench.fault("world", "switch_never", value=False)
    bench.fault("world", "switch_stuck")
    board.write(b"$H\n")
    assert board.lines_until(UNLOCK)[0] == "ALARM:8"
    assert board.status()[0] == "Alarm"


@pytest.mark.published
def test_a_reset_aborts_homing(board: BoardPort) -> None:
    # interface.md, ALARM:6: reset during an active homing cycle.
    board.write(b"$H\n")
    time.sleep(0.2)
    board.write(b"\x18")
    assert board.lines_until(UNLOCK) == ["ALARM:6", "ok", "", BANNER, UNLOCK]


@pytest.mark.published
def test_the_end_switch_halts_a_move(bench: Bench, homed: BoardPort) -> None:
    # interface.md, ALARM:1: hard limit, sudden halt, place likely lost.
    homed.ask("$20=0")
    homed.ask("G1 Z-34 F240")
    homed.port.timeout = 5
    assert homed.lines_until("[MSG:Reset to continue]")[0] == "ALARM:1"
    # The switch is at 30.9 mm, the way told ends at 34; the computer looks at it as often as it comes to it.
    assert 30750 < bench.truth()["now"]["carriage_um"] < 33000
    homed.write(b"\x18")
    assert "[MSG:Check Limits]" in homed.lines_until(UNLOCK)
    state, _, rest = homed.status()
    assert state == "Alarm"
    assert "Pn:Z" in rest


def test_work_position_and_offset(homed: BoardPort) -> None:
    homed.ask("G1 Z-5 F240")
    homed.wait_for("Idle")
    assert homed.ask("G92 Z1.5") == "ok"
    assert homed.status()[1:] == (-5.0, "FS:0,0|WCO:0.000,0.000,-6.500")
    assert homed.ask("$10=0") == "ok"
    homed.write(b"?")
    assert homed.line().startswith("<Idle|WPos:0.000,0.000,1.500|")
    assert homed.ask("G1 Z-2 F240") == "ok"
    homed.wait_for("Idle")
    homed.ask("$10=1")
    assert homed.status()[1] == -8.5
    homed.ask("G10 L2 P1 Z1")
    homed.write(b"\x18")
    homed.lines_until(BANNER)
    assert "WCO:0.000,0.000,1.000" in homed.status()[2]  # a reset forgets G92, keeps G54


@pytest.mark.published
def test_settings_and_identity(board: BoardPort) -> None:
    # interface.md: $x=val lines end with ok; [VER:...:string] and [OPT:...]; error 3 unknown command.
    board.write(b"$$\n")
    lines = board.lines_until("ok")
    assert "$32=0" in lines
    assert "$132=31.000" in lines
    assert all(line.startswith("$") for line in lines[:-1])
    board.write(b"$I\n")
    version, options, _ = board.lines_until("ok")
    assert version.startswith("[VER:1.1")
    assert version.endswith(":7A01]")
    assert options.startswith("[OPT:V")
    assert board.ask("$Q") == "error:3"
    assert board.ask("$999=1") == "error:3"
    assert board.ask("$10=x") == "error:2"
    assert board.ask("") == "ok"  # interface.md: an empty line is valid
    assert board.ask("G4 P0" + " " * 75 + ".1") == "error:9"  # locked, but read: spaces are not kept
    assert board.ask("G0 Z1" + "0" * 90) == "error:11"


def test_the_light_follows_the_program_and_survives_a_hold(bench: Bench, homed: BoardPort) -> None:
    assert homed.ask("M3 S400") == "ok"
    assert "FS:0,400" in homed.status()[2]
    homed.ask("G1 Z-10 F120")
    homed.write(b"!")
    homed.wait_for("Hold:0")
    assert "FS:0,400" in homed.status()[2]
    homed.write(b"~")
    homed.wait_for("Idle")
    assert homed.ask("M5") == "ok"
    assert "FS:0,0" in homed.status()[2]


def test_a_light_word_waits_for_the_motion_before_it(homed: BoardPort) -> None:
    homed.ask("G1 Z-3 F240")
    assert homed.ask("M3 S100") == "ok"
    assert homed.status()[:2] == ("Idle", -3.0)


def test_dwell_holds_the_answer(start_bench: Callable[..., Bench]) -> None:
    board = BoardPort(start_bench().serial())
    board.ask("$X")
    began = time.monotonic()
    assert board.ask("G4 P0.5") == "ok"
    assert time.monotonic() - began >= 0.5


@pytest.mark.published
def test_the_door(bench: Bench, homed: BoardPort) -> None:
    # interface.md: Door:1 stopped and ajar; shut it is Door:0, ready, and a resume goes on.
    homed.ask("M3 S400")
    homed.ask("G1 Z-10 F200")
    bench.fault("board", "open_door")
    assert homed.line() == "[MSG:Check Door]"
    ajar = homed.wait_for("Door:1")
    homed.write(b"~")
    time.sleep(0.2)
    assert homed.status()[:2] == ("Door:1", ajar)
    assert "FS:0,0" in homed.status()[2]  # dark while it is open
    bench.fault("board", "shut_door")
    assert homed.status()[:2] == ("Door:0", ajar)
    homed.write(b"~")
    assert homed.wait_for("Idle") == -10.0


@pytest.mark.published
def test_check_mode_parses_and_moves_nothing(homed: BoardPort) -> None:
    # commands.md, $C: processes blocks completely, moves no axis; toggled off it resets.
    homed.write(b"$C\n")
    assert homed.lines_until("ok") == ["[MSG:Enabled]", "ok"]
    assert homed.ask("G1 Z-5 F240") == "ok"
    assert homed.ask("G2 Z-5") == "error:20"
    assert homed.status()[:2] == ("Check", -1.0)
    homed.write(b"$C\n")
    assert homed.lines_until(BANNER) == ["[MSG:Disabled]", "ok", "", BANNER]
    assert homed.status()[:2] == ("Idle", -1.0)


def test_homing_from_the_switch_itself(bench: Bench, board: BoardPort) -> None:
    bench.fault("world", "push", value=-25000)  # against the stop, 450 um behind the switch: beyond a pull-off of 0.3
    board.ask("$27=0.3")
    assert "Pn:Z" in board.status()[2]
    board.port.timeout = 20
    board.write(b"$H\n")
    assert board.lines_until(UNLOCK)[0] == "ALARM:8"
    board.port.timeout = 2
    board.ask("$X")
    board.ask("$27=1")
    board.ask("$J=G91 Z-0.3 F200")
    board.wait_for("Idle")
    board.home()
    assert bench.truth()["now"]["carriage_um"] == pytest.approx(-500, abs=60)


@pytest.mark.published
def test_of_two_queries_in_one_go_one_is_answered(bench: Bench, board: BoardPort) -> None:
    # interface.md: additional queries before the first report are ignored.
    bench.fault("board", "native")
    board.port.timeout = 0.3
    board.write(b"??")
    assert board.line().startswith("<Alarm|")
    assert board.line() == ""


def test_bytes_beyond_the_receive_buffer_are_lost_and_the_board_lives(homed: BoardPort) -> None:
    homed.ask("G1 Z-20 F60")
    homed.write(b"!")
    homed.wait_for("Hold:0")
    homed.write(b"G4 P0\n" * 100)
    homed.write(b"\x18")
    homed.lines_until(BANNER)
    homed.port.timeout = 0.3
    assert homed.line() == ""
    assert homed.status()[0] == "Idle"
