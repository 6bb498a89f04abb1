"""The pseudo-terminals behave like serial ports, and the wire misbehaves as it is told."""

from __future__ import annotations

import os
import time

import pytest
import serial

from .conftest import Bench, BoardPort


def test_a_port_opens_again_and_again_and_shows_nothing_old(bench: Bench) -> None:
    for _ in range(20):
        port = bench.serial("counter", timeout=20)
        port.write(b"P?\n" * 3)
        assert port.readline().startswith(b"P=")
        port.close()
    time.sleep(0.5)  # unread answers are still on the wire
    port = bench.serial("counter", timeout=0.3)
    assert port.read(1) == b""
    port.write(b"Z?\n")
    assert port.readline() in (b"Z=0\r\n", b"Z=1\r\n")


def test_it_is_raw(bench: Bench) -> None:
    descriptor = os.open(bench.folder / "counter", os.O_RDWR | os.O_NOCTTY)
    try:
        os.write(descriptor, b"P?\n")
        answer = b""
        while not answer.endswith(b"\n"):
            answer += os.read(descriptor, 100)
    finally:
        os.close(descriptor)
    assert answer.endswith(b"\r\n")
    assert b"P?" not in answer  # no echo


def test_a_reader_that_does_not_read_stops_nobody(bench: Bench) -> None:
    deaf = BoardPort(bench.serial())
    for _ in range(3000):
        deaf.write(b"?")
        if deaf.port.out_waiting > 2000:
            break
    counter = bench.serial("counter", timeout=20)
    counter.write(b"P?\n")
    assert counter.readline().startswith(b"P=")


@pytest.mark.parametrize("name", ["board", "counter", "indicator"])
def test_unplugged_and_plugged_in_again(bench: Bench, name: str) -> None:
    port = bench.serial(name, timeout=20)
    bench.fault(name, "unplug")
    with pytest.raises((serial.SerialException, OSError)):  # noqa: PT012 - whichever comes first
        port.write(b"?\n")
        port.read(1)
        port.write(b"?\n")
    assert not os.path.lexists(bench.folder / name)
    port.close()
    bench.fault(name, "plug")
    again = bench.serial(name, timeout=20)
    again.write(b"?\n")
    assert again.readline()


def test_unplugged_for_a_while(bench: Bench) -> None:
    bench.fault("counter", "unplug", s=0.3)
    assert not os.path.lexists(bench.folder / "counter")
    time.sleep(0.5)
    port = bench.serial("counter", timeout=20)
    port.write(b"P?\n")
    assert port.readline().startswith(b"P=")


def test_a_claim_ends_with_its_holder(bench: Bench) -> None:
    first = bench.serial("counter")
    with pytest.raises(serial.SerialException):
        bench.serial("counter")
    first.close()
    bench.serial("counter").close()


def test_silence_obeys_but_does_not_answer(bench: Bench, homed: BoardPort) -> None:
    bench.fault("board", "silence", s=1.0)
    homed.port.timeout = 0.3
    homed.write(b"G1 Z-2 F240\n")
    assert homed.line() == ""
    homed.speaks_again()
    homed.port.timeout = 2.0
    assert homed.wait_for("Idle") == -2.0, "it went where it was sent before anybody could see it"


def test_one_byte_of_one_line_is_wrong(bench: Bench, board: BoardPort) -> None:
    bench.fault("board", "corrupt")
    board.write(b"?")
    right = b"<Alarm|MPos:0.000,0.000,0.000|FS:0,0|WCO:0.000,0.000,0.000>\r\n"
    wrong = board.port.readline()
    if len(wrong) < len(right):  # the byte became a line feed
        wrong += board.port.readline()
    assert len(wrong) == len(right)
    assert sum(a != b for a, b in zip(wrong, right, strict=True)) == 1
    assert board.status()[0] == "Alarm"


def test_a_late_line(bench: Bench, board: BoardPort) -> None:
    bench.fault("board", "late", s=0.5)
    began = time.monotonic()
    assert board.status()[0] == "Alarm"
    assert time.monotonic() - began >= 0.5


def test_a_split_line_arrives_in_pieces(bench: Bench) -> None:
    port = bench.serial("counter", timeout=0)
    bench.fault("counter", "split", gap_s=0.1)
    port.write(b"P?\n")
    pieces: list[bytes] = []
    ends = time.monotonic() + 20
    while not b"".join(pieces).endswith(b"\n") and time.monotonic() < ends:
        if piece := port.read(100):
            pieces.append(piece)
        time.sleep(0.01)
    assert b"".join(pieces).startswith(b"P=")
    assert len(pieces) >= 4


def test_merged_cut_and_dropped_lines(bench: Bench) -> None:
    port = bench.serial("counter", timeout=0.3)
    bench.fault("counter", "merge")
    port.write(b"Z?\n")
    assert port.readline() == b""
    port.timeout = 20
    port.write(b"Z?\n")
    assert port.readline() == port.readline() != b""
    bench.fault("counter", "cut")
    port.write(b"Z?\n")
    assert port.readline().startswith(b"Z=")
    bench.fault("counter", "drop", n=2)
    port.write(b"Z?\nZ?\nP?\n")
    assert port.readline().startswith(b"P=")
    port.timeout = 0.3
    assert port.readline() == b""


def test_garbage_ends(bench: Bench) -> None:
    port = bench.serial("counter", timeout=20)
    bench.fault("counter", "garbage", s=0.5)
    time.sleep(0.2)
    assert len(port.read(64)) == 64
    time.sleep(0.5)
    port.reset_input_buffer()
    port.write(b"\nP?\n")
    assert port.read_until(b"P=").endswith(b"P=")


def test_a_lost_jog_cancel(bench: Bench, homed: BoardPort) -> None:
    bench.fault("board", "lose", byte=0x85)
    homed.ask("$J=G90 Z-20 F200")
    homed.write(b"\x85")
    time.sleep(0.3)
    assert homed.status()[0] == "Jog"
    homed.write(b"\x85")
    homed.wait_for("Idle")


def test_a_command_altered_but_valid(bench: Bench, homed: BoardPort) -> None:
    bench.fault("board", "alter", **{"from": "3", "to": "1"})
    assert homed.ask("G1 Z-3 F240") == "ok"
    assert homed.wait_for("Idle") == -1.0


def test_a_stalled_device_makes_writes_block(bench: Bench) -> None:
    bench.fault("board", "stall")
    port = bench.serial()
    port.write_timeout = 0.3
    with pytest.raises(serial.SerialTimeoutException):
        port.write(b"\n" * 400_000)
    bench.fault("board", "clear")
    port.write_timeout = 20
    port.write(b"?")
    assert b"<Alarm" in port.read_until(b">")


def test_the_wrong_baud_rate_is_nonsense_both_ways(bench: Bench) -> None:
    port = bench.serial("counter", timeout=0.3)
    bench.fault("counter", "wrong_baud", s=60)
    port.write(b"P?\n" * 20)
    assert not port.read(400).startswith(b"P=")
    bench.fault("counter", "clear")
    time.sleep(0.1)
    port.reset_input_buffer()
    port.timeout = 20
    port.write(b"\nP?\n")
    assert port.read_until(b"P=").endswith(b"P=")


def test_a_reset_in_mid_stream_and_on_opening(bench: Bench, homed: BoardPort) -> None:
    bench.fault("board", "power_up")
    assert homed.lines_until("[MSG:'$H'|'$X' to unlock]")[1].startswith("RSim 1.1")
    bench.fault("board", "reset_on_open")
    homed.port.close()
    again = BoardPort(bench.serial())
    assert again.lines_until("[MSG:'$H'|'$X' to unlock]")[1].startswith("RSim 1.1")


def test_a_status_that_is_stuck(bench: Bench, homed: BoardPort) -> None:
    first = homed.status()
    bench.fault("board", "stuck_status")
    homed.ask("G1 Z-5 F240")
    time.sleep(0.5)
    assert homed.status() == first
    bench.fault("board", "clear")
    assert homed.wait_for("Idle") == -5.0


def test_another_identity(bench: Bench, board: BoardPort) -> None:
    bench.fault("board", "identity", value="7B02")
    board.write(b"$I\n")
    assert board.line().endswith(":7B02]")


def test_bytes_take_their_time_on_the_wire(bench: Bench) -> None:
    # 10 bits a byte (8N1); 3 bytes there, 11 back, at the speed the host has set and whatever the pace.
    slow, fast = (quickest(bench, baud) for baud in (9600, 115200))
    assert slow >= 0.0146 - 0.001  # a millisecond less: the event loop's own step
    assert 0.0012 - 0.001 <= fast < 0.0146, "one of 200 comes by itself, however busy the machine"


def quickest(bench: Bench, baud: int) -> float:
    """The shortest of many questions and answers of 14 bytes, s."""
    port = bench.serial("indicator", baud=baud)
    times = []
    for _ in range(200):
        began = time.perf_counter()
        port.write(b"R?\n")
        assert len(port.readline()) == 11
        times.append(time.perf_counter() - began)
    port.close()
    return min(times)


def test_counter_and_indicator_formats(bench: Bench) -> None:
    counter, indicator = bench.serial("counter", timeout=20), bench.serial("indicator", timeout=20)
    counter.write(b"P?\r\nZ?\nwhat\n\n" + b"x" * 500 + b"\n")
    text = counter.read_until(b"ERR\r\nERR\r\n").decode().split("\r\n")
    assert len(text[0]) == len("P=+009341.55")
    assert float(text[0].removeprefix("P=")) == pytest.approx(0, abs=1)  # it counts from where it was switched on
    assert text[1:] == ["Z=0", "ERR", "ERR", ""]
    indicator.write(b"R?\n")
    assert indicator.readline() == b"R=+0999.9\r\n"


def test_the_reference_mark_is_seen_after_homing_and_going_out(bench: Bench, homed: BoardPort) -> None:
    counter = bench.serial("counter")
    bench.fault("world", "encoder_power_up")
    counter.write(b"Z?\n")
    assert counter.readline() == b"Z=0\r\n"
    homed.ask("G1 Z-2 F240")
    homed.wait_for("Idle")
    counter.write(b"Z?\n")
    assert counter.readline() == b"Z=1\r\n"
    time.sleep(0.2)
    counter.write(b"P?\n")
    reading = float(counter.readline().decode().strip().removeprefix("P="))
    # At 500 um from the mark the scale's error is nothing; its subdivision and resolution are below half a um.
    assert reading == pytest.approx(bench.truth()["now"]["carriage_um"], abs=0.5)
