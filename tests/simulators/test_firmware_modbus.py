"""The simulated Modbus drive from its ports: bytes in, bytes out, and what they do to the machine."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from benchd_simulators.firmware.modbus.frames import RtuEar, TcpEar, checksum, rtu, tcp
from benchd_simulators.firmware.modbus.server import Refused, answered

from .conftest import Bench

pytestmark = pytest.mark.stack
MOVING, HOMED, FAULT, HOME_SWITCH = 1, 2, 4, 8


@pytest.fixture(scope="module")
def one_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    bench = Bench(tmp_path_factory.mktemp("drive") / "run", "--pace", "5", "--modbus")
    yield bench
    bench.stop()


@pytest.fixture
def drive(one_bench: Bench) -> Bench:
    """As just powered up, and nothing wrong with it."""
    one_bench.fault("world", "switch_never", value=False)
    one_bench.fault("drive", "refuse", n=0)
    one_bench.fault("drive", "power_up")
    return one_bench


class Line:
    """The serial port of the drives, spoken to by hand."""

    def __init__(self, bench: Bench, unit: int = 17, port: serial.Serial | None = None) -> None:
        self.unit, self.port = unit, port or bench.serial("drive", timeout=0.3, baud=115200)

    def __call__(self, pdu: str) -> str:
        """A PDU to the drive's unit; the reply's."""
        self.port.write(rtu(self.unit, bytes.fromhex(pdu)))
        said = self.port.read(2)
        assert said, "no answer"
        if said[1] < 5:
            said += self.port.read(1)
            said += self.port.read(said[2] + 2)
        else:
            said += self.port.read(3 if said[1] & 0x80 else 6)
        assert checksum(said[:-2]) == said[-2:]
        assert said[0] == self.unit
        return said[1:-2].hex(" ")

    def unanswered(self, frame: bytes) -> None:
        """A frame that nobody answers."""
        self.port.write(frame)
        assert self.port.read(1) == b""


@pytest.fixture
def ask(drive: Bench) -> Iterator[Line]:
    line = Line(drive)
    yield line
    line.port.close()


def status(ask: Line) -> tuple[int, float]:
    """Status and place (um)."""
    said = bytes.fromhex(ask("04 00 00 00 03"))
    return int.from_bytes(said[2:4], "big"), int.from_bytes(said[4:8], "big", signed=True) / 2


def until(ask: Line, bits: int, mask: int) -> float:
    ends = time.monotonic() + 30.0
    while time.monotonic() < ends:
        now, at_um = status(ask)
        if now & mask == bits:
            return at_um
    raise AssertionError(f"status {now:b}")


def test_it_homes_goes_and_stops(ask: Line) -> None:
    assert ask("06 00 03 00 01") == "86 04", "not homed it goes nowhere"
    assert ask("06 00 03 00 03") == "06 00 03 00 03"
    assert ask("06 00 03 00 01") == "86 06", "busy"
    assert until(ask, HOMED, MOVING | HOMED | FAULT | HOME_SWITCH) == 0.0
    assert ask("10 00 00 00 03 06 00 00 27 10 1F 40") == "10 00 00 00 03"  # 10000 half um at 8000 a second
    assert status(ask) == (HOMED, 0.0), "a target alone moves nothing"
    ask("06 00 03 00 01")
    assert until(ask, 0, MOVING) == 5000.0
    ask("10 00 00 00 02 04 00 00 9C 40")
    ask("06 00 03 00 01")
    time.sleep(0.2)
    ask("05 00 00 FF 00")
    assert 5000.0 < until(ask, 0, MOVING) < 19_000.0
    assert ask("10 00 00 00 02 04 FF FF FF FF") == "10 00 00 00 02"
    assert ask("06 00 03 00 01") == "86 03", "outside"


def test_at_rest_it_costs_nothing(drive: Bench, ask: Line) -> None:
    """It looked at its switches a thousand times a second: a tenth of a processor for nothing."""
    ask("06 00 03 00 03")
    until(ask, HOMED, MOVING | HOMED | FAULT | HOME_SWITCH)
    ask("10 00 00 00 03 06 00 00 27 10 1F 40")
    ask("06 00 03 00 01")
    until(ask, 0, MOVING)
    time.sleep(0.1)
    assert drive.rested_turns(1.0) < 20


def test_stopped_homing_leaves_it_unhomed(ask: Line) -> None:
    ask("06 00 03 00 03")
    time.sleep(0.1)
    ask("06 00 03 00 02")
    until(ask, 0, MOVING)
    time.sleep(0.3)
    assert status(ask)[0] & (MOVING | HOMED) == 0


def test_a_switch_that_is_never_found_is_a_fault_that_can_be_cleared(drive: Bench, ask: Line) -> None:
    drive.fault("world", "switch_never", value=True)
    ask("06 00 03 00 03")
    until(ask, FAULT, MOVING | FAULT)
    assert ask("06 00 03 00 03") == "86 04"
    assert ask("06 00 03 00 04") == "06 00 03 00 04"
    assert status(ask)[0] & FAULT == 0


def test_what_it_refuses(drive: Bench, ask: Line) -> None:
    assert ask("2B 0E 01 00") == "ab 01"
    assert ask("03 00 05 00 01") == "83 02"
    assert ask("03 00 04 00 02") == "83 02"
    assert ask("03 00 00 00 00") == "83 03"
    assert ask("03 00 00 00 7E") == "83 03"
    assert ask("06 00 02 00 00") == "86 03"
    assert ask("06 00 04 03 E9") == "86 03"
    assert ask("05 00 00 12 34") == "85 03"
    assert ask("08 00 01 00 00") == "88 01"
    assert ask("08 00 00 A5 37") == "08 00 00 a5 37"
    assert ask("03 00 04 00 01") == "03 02 00 00"
    drive.fault("drive", "refuse", code=6, n=1)
    assert [ask("06 00 04 00 01"), ask("06 00 04 00 01")] == ["86 06", "06 00 04 00 01"]


def test_other_units_broken_frames_and_broadcasts_get_no_answer(ask: Line) -> None:
    sound = rtu(17, bytes.fromhex("06 00 04 01 F4"))
    for frame in (rtu(18, sound[1:-2]), sound[:-1] + bytes((sound[-1] ^ 1,)), sound[:5], rtu(0, sound[1:-2])):
        ask.unanswered(frame)
    assert ask("03 00 04 00 01") == "03 02 01 f4", "the broadcast alone was obeyed"


def test_over_tcp_one_caller_at_a_time(drive: Bench) -> None:
    host, port = drive.ports["drive_tcp"].removeprefix("socket://").split(":")
    with socket.create_connection((host, int(port)), timeout=2) as caller:
        two = tcp(7, 17, bytes.fromhex("04 00 06 00 01")) + tcp(8, 17, bytes.fromhex("03 00 63 00 01"))
        caller.sendall(two[:5])
        time.sleep(0.05)
        caller.sendall(two[5:])
        said = b""
        while len(said) < 11 + 9:
            said += caller.recv(100)
        assert said == bytes.fromhex("00 07 00 00 00 05 11 04 02 4D 31 00 08 00 00 00 03 11 83 02")
        with socket.create_connection((host, int(port)), timeout=2) as second:
            assert hung_up(second)
        caller.sendall(b"GET / HTTP/1.1\r\n\r\n")
        assert hung_up(caller)


def hung_up(caller: socket.socket) -> bool:
    try:
        return caller.recv(1) == b""
    except ConnectionError:
        return True


def pieces(data: bytes, size: int) -> Iterator[bytes]:
    return (data[at : at + size] for at in range(0, len(data), size))


def test_frames_are_put_together_from_any_pieces() -> None:
    wanted = [(3, 17, b"\x03\x00\x00\x00\x01"), (4, 17, b"\x06\x00\x04\x00\x01")]
    stream = b"".join(tcp(*one) for one in wanted)
    for size in range(1, len(stream) + 1):
        ear = TcpEar()
        assert [got for piece in pieces(stream, size) for got in ear.hear(piece)] == wanted
    ear_of_line = RtuEar()
    heard = [got for byte in rtu(17, wanted[0][2]) + rtu(2, wanted[1][2]) if (got := ear_of_line.hear(byte))]
    assert heard == [(17, wanted[0][2]), (2, wanted[1][2])]
    with pytest.raises(ValueError, match="no header"):
        list(TcpEar().hear(b"HTTP/1.1 400"))


@pytest.mark.published
def test_bits_are_packed_as_published() -> None:
    """V1.1b3, 6.1: coils 20 to 38 are CD 6B 05, the first one lowest in the first byte."""
    states = [bool(byte >> bit & 1) for byte in (0xCD, 0x6B, 0x05) for bit in range(8)][:19]

    class Coils:
        def coils(self, address: int, count: int) -> list[bool]:
            if address != 19:
                raise Refused(2)
            return states[:count]

    assert answered(Coils(), bytes.fromhex("01 00 13 00 13")) == bytes.fromhex("01 03 CD 6B 05")  # type: ignore[arg-type]
    assert answered(Coils(), bytes.fromhex("01 00 14 00 13")) == bytes.fromhex("81 02")  # type: ignore[arg-type]


def test_a_ring_has_a_drive_of_its_own_behind_the_carriages(tmp_path: Path) -> None:
    """Unit 18 turns the focus ring, 19 the iris; neither dims the lamp."""
    bench = Bench(tmp_path / "run", "--pace", "5", "--modbus", world="workshop-rings")
    try:
        ring = Line(bench, unit=18)
        assert ring("04 00 06 00 01") == "04 02 4d 32"
        assert ring("06 00 03 00 01") == "86 04", "not homed"
        assert ring("06 00 03 00 03") == "06 00 03 00 03"
        assert until(ring, HOMED, MOVING | HOMED) == 0.0
        home_deg = bench.truth()["setup"]["ring"]["turned_deg"]
        assert ring("10 00 00 00 03 06 00 00 0F A0 2E E0") == "10 00 00 00 03"  # 20 degrees at 60 a second
        assert ring("06 00 03 00 01") == "06 00 03 00 01"
        assert until(ring, HOMED, MOVING | HOMED) == 2000.0
        assert bench.truth()["setup"]["ring"]["turned_deg"] - home_deg == pytest.approx(20.0, abs=0.01)
        assert ring("06 00 04 03 E8") == "06 00 04 03 e8"
        assert bench.truth()["now"]["lamp_level"] == 0.0
        other = Line(bench, unit=17, port=ring.port)
        assert status(other)[0] & HOMED == 0, "the carriage's drive knows nothing of it"
        ring.unanswered(rtu(20, bytes.fromhex("04 00 06 00 01")))
    finally:
        bench.stop()
