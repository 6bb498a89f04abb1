"""The simulated instruments' own parser, status registers and error queue, byte for byte, without any transport."""

from __future__ import annotations

import asyncio
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd_simulators.firmware.scpi import QUEUE, Interface
from benchd_simulators.firmware.scpi_meter import Meter
from benchd_simulators.firmware.scpi_supply import Supply
from benchd_simulators.firmware.scpi_syntax import Header


class Bench:
    """One instrument with what it says."""

    def __init__(self, which: Supply | Meter) -> None:
        self.instrument = which.instrument
        self.said = b""
        self._heard_more = asyncio.Event()
        self.interface = Interface(self.instrument, self._heard)

    def _heard(self, data: bytes) -> None:
        self.said += data
        self._heard_more.set()

    async def lines(self, count: int) -> list[bytes]:
        while self.said.count(b"\n") < count:
            self._heard_more.clear()
            await self._heard_more.wait()
        return self.said.split(b"\n")[:count]

    def ask(self, message: str) -> str:
        self.said = b""
        self.interface.feed(message.encode("ascii") + b"\n")
        return self.said.decode("ascii")


@pytest.fixture
def supply() -> Bench:
    return Bench(Supply())


@pytest.fixture
def meter() -> Bench:
    return Bench(Meter())


@pytest.mark.published
@pytest.mark.parametrize(
    ("message", "reply"),
    # SCPI-1999 volume 2, chapter 21.
    [
        ("VOLTS 3", '-113,"Undefined header"\n'),
        ("VOLT", '-109,"Missing parameter"\n'),
        ("VOLT 1,2", '-108,"Parameter not allowed"\n'),
        ("VOLT high", '-104,"Data type error"\n'),
        ("VOLT 40", '-222,"Data out of range"\n'),
        ("=3", '-102,"Syntax error"\n'),
        ("VOLT 3", '+0,"No error"\n'),
    ],
)
def test_error_replies(supply: Bench, message: str, reply: str) -> None:
    assert supply.ask(message) == ""
    assert supply.ask("SYST:ERR?") == reply
    assert supply.ask("SYSTEM:ERROR:NEXT?") == '+0,"No error"\n'


@pytest.mark.published
def test_a_full_queue_ends_in_its_overflow_and_cls_empties_it(supply: Bench) -> None:
    # SCPI-1999 volume 2, chapter 21: -350 takes the place of the youngest error.
    for _ in range(QUEUE + 3):
        supply.ask("NONSENSE")
    told = [supply.ask("SYST:ERR?") for _ in range(QUEUE + 1)]
    assert told == ['-113,"Undefined header"\n'] * (QUEUE - 1) + ['-350,"Queue overflow"\n', '+0,"No error"\n']
    supply.ask("NONSENSE")
    assert supply.ask("*CLS;SYST:ERR?") == '+0,"No error"\n'


@pytest.mark.published
def test_status_registers(supply: Bench) -> None:
    # IEEE 488.2, chapter 11: bits OPC 0, QYE 2, DDE 3, EXE 4, CME 5, PON 7; of the status byte ESB 5, MSS 6; SCPI: 2.
    assert supply.ask("*ESR?;*ESR?") == "128;0\n"
    supply.ask("NONSENSE")
    supply.ask("VOLT 40")
    supply.instrument.put_error(-240)
    supply.instrument.put_error(-350)
    supply.ask("*OPC")
    assert supply.ask("*STB?") == "4\n"
    assert supply.ask("*ESE 32;*SRE 32;*STB?") == f"{4 + 32 + 64}\n"
    assert supply.ask("*ESR?") == f"{32 + 16 + 8 + 1}\n"
    assert supply.ask("*CLS;*STB?;*OPC?;*ESE?;*SRE?") == "0;1;32;32\n"
    assert supply.ask("*ESE 256;*ESE?") == ""
    assert supply.ask("SYST:ERR?") == '-222,"Data out of range"\n'


@pytest.mark.published
def test_headers_in_long_and_short_form() -> None:
    # SCPI-1999 volume 1, chapter 6: long or short, nothing in between, either case; brackets may be left out.
    header = Header("[SOURce:]CURRent[:LEVel][:IMMediate]?")
    fits = ["CURR?", ":curr?", "SOUR:CURRENT?", "source:curr:lev?", "curr:imm?", "SOURce:CURRent:LEVel:IMMediate?"]
    assert all(header.fits(written) for written in fits)
    assert not any(
        header.fits(written) for written in ("CURR", "CURRE?", "SOURC:CURR?", "LEV?", "CURR:LEV:X?", "SOUR?")
    )


def test_units_of_one_message_share_a_path_and_stop_at_the_first_error(supply: Bench) -> None:
    assert supply.ask("SOUR:VOLT:LEV 5;LEV?;:CURR 200 mA;:CURR?;*OPC?") == "5.0000;0.2000;1\n"
    assert supply.ask("CURR?;NONSENSE;VOLT?") == "0.2000\n"
    assert supply.ask("SYST:ERR?") == '-113,"Undefined header"\n'


def test_settings_are_rounded_reset_and_flow_through_the_leds(supply: Bench) -> None:
    assert supply.ask("VOLT 12;CURR 0.35004;CURR?") == "0.3500\n"
    assert float(supply.ask("MEAS:CURR?")) == 0.0
    assert float(supply.ask("OUTP ON;:MEAS:CURR?")) == 0.35
    assert float(supply.ask("MEAS:VOLT?")) == pytest.approx(8.4 + 2.5 * 0.35)
    assert float(supply.ask("VOLT 8.9;:MEAS:CURR?")) == pytest.approx(0.2)
    assert supply.ask("*RST;OUTP?;VOLT?") == "0;0.0000\n"


def test_lines_in_pieces_with_other_ends_and_too_long(supply: Bench) -> None:
    for byte in b"*IDN?\r\n\r\n":
        supply.interface.feed(bytes((byte,)))
    assert supply.said == b"HOUSE,SUPPLY-30,SN0042,1.07\n"
    assert supply.ask("x" * 600) == ""
    assert supply.ask("SYST:ERR?") == '-363,"Input buffer overrun"\n'
    supply.interface.feed(b"\xff\n")
    assert supply.ask("SYST:ERR?") == '-101,"Invalid character"\n'


async def test_a_reading_takes_its_time_and_what_comes_meanwhile_waits(meter: Bench) -> None:
    meter.ask("CONF:VOLT 10;:VOLT:NPLC 10")
    began = asyncio.get_running_loop().time()
    assert meter.ask("READ?") == ""
    meter.interface.feed(b"*OPC?\n")
    value, one = await meter.lines(2)
    assert asyncio.get_running_loop().time() - began >= 0.2
    assert float(value) == pytest.approx(1.25, abs=1e-5)
    assert one == b"1"


async def read(meter: Bench, how: str) -> bytes:
    meter.ask(how)
    await meter.lines(1)
    return meter.said


async def test_ranges_overload_and_no_value() -> None:
    clamps = Meter()
    meter = Bench(clamps)
    meter.ask("CONF:VOLT:DC 0.9;:VOLT:NPLC 0.02")
    assert meter.ask("VOLT:RANG?;RANG:AUTO?") == "+1.00000000E+00;0\n"
    assert await read(meter, "READ?") == b"+9.90000000E+37\n"
    clamps.signal = -1.25
    assert await read(meter, "READ?") == b"-9.90000000E+37\n"
    clamps.signal = None
    assert await read(meter, "READ?") == b"+9.91000000E+37\n"
    clamps.signal = 1.25
    meter.ask("CONF:VOLT:DC;:VOLT:NPLC .02")
    assert float(await read(meter, "READ?")) == pytest.approx(1.25, abs=1e-5)
    assert meter.ask("FUNC?") == '"VOLT"\n'
    meter.ask("CONF:VOLT 2000")
    assert meter.ask("SYST:ERR?") == '-222,"Data out of range"\n'
    meter.ask("CONF:RES")
    assert meter.ask("FUNC?;:VOLT:RANG?") == '"RES"\n'
    assert meter.ask("SYST:ERR?") == '-221,"Settings conflict"\n'


@pytest.mark.parametrize(
    ("set_up", "form"), [("REAL,64", ">3d"), ("REAL,32", ">3f"), ("REAL,64;:FORM:BORD SWAP", "<3d")]
)
async def test_blocks(meter: Bench, set_up: str, form: str) -> None:
    meter.ask(f"CONF:VOLT 10;:VOLT:NPLC 0.02;:SAMP:COUN 3;:FORM {set_up}")
    answer = await read(meter, "READ?")
    size = struct.calcsize(form)
    assert answer[:4] == f"#2{size}".encode()
    assert answer[-1:] == b"\n"
    assert struct.unpack(form, answer[4:-1]) == pytest.approx((1.25,) * 3, abs=1e-5)


@given(st.binary(max_size=200))
def test_any_bytes_are_understood_or_refused(data: bytes) -> None:
    bench = Bench(Supply())
    bench.interface.feed(data + b"\n*CLS\n")
    assert bench.ask("SYST:ERR?") == '+0,"No error"\n'
