"""The multimeter by SCPI against the simulated one, and against a simulator by others.

Tests of faults carry the number that the fault has in the list of faults a bench survives.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from benchd.devices import DeviceError, DeviceMismatch, Implausible, LinkError, LinkGarbled, LinkTimeout
from benchd.testing.peer import PtyPeer, line_peer
from benchd_drivers.link.visa import VisaLink
from benchd_drivers.link.visa_config import VisaConfig
from benchd_drivers.link.visa_messages import VisaMessages
from benchd_drivers.scpi_meter import ScpiMeter, ScpiMeterConfig
from tests.drivers.instruments import METER, SimulatedInstruments


@asynccontextmanager
async def metering(instruments: SimulatedInstruments, cable: str = "meter", **keys: Any) -> AsyncIterator[ScpiMeter]:
    link = instruments.link(cable)
    await link.open()
    meter = ScpiMeter.create("diode", ScpiMeterConfig(**{**METER, **keys}), link)
    try:
        await meter.open()
        yield meter
    finally:
        await meter.close()
        await link.close()


class TestSimulated:
    pytestmark = pytest.mark.stack

    async def test_it_says_who_it_is_and_reads(self, instruments: SimulatedInstruments) -> None:
        async with metering(instruments, scale=-2.0, offset=1.0) as meter:
            identity = await meter.open()
            assert (identity.model, identity.serial, identity.firmware) == ("HOUSE METER-6", "SN1187", "2.31")
            reading = await meter.read()
            noise_V = 7.5e-7 * 10  # of the simulated meter, in its range; twice that after `scale`
            assert reading.value == pytest.approx(1.0 - 2.0 * 1.25, abs=2.001 * noise_V)
            assert (reading.unit, reading.quality, meter.quantity) == ("V", "good", "light")

    async def test_range_and_power_cycles_are_set_and_read_back(self, instruments: SimulatedInstruments) -> None:
        async with metering(instruments, range=3.0, power_cycles=1.0):
            shown = await instruments.look("meter")
            assert (shown["function"], shown["range"], shown["auto"], shown["periods"]) == ("VOLT", 10.0, False, 1.0)
        async with metering(instruments, function="resistance", unit="Ohm"):
            shown = await instruments.look("meter")
            assert (shown["function"], shown["auto"], shown["periods"]) == ("RES", True, 0.02)

    async def test_what_it_cannot_do_is_refused_in_its_own_words(self, instruments: SimulatedInstruments) -> None:
        with pytest.raises(DeviceError, match=r"CONF:VOLT:DC 2000.0'.*-222, Data out of range") as caught:
            async with metering(instruments, range=2000.0):
                pass
        assert caught.value.code == "limit"
        with pytest.raises(DeviceError, match=r"does not understand 'CONF:CAP'.*-113, Undefined header") as caught:
            async with metering(instruments, function="CAPacitance"):
                pass
        assert "manual" in caught.value.advice
        assert any(b"CONF:CAP" in frame.data for frame in caught.value.frames)

    async def test_what_others_left_in_its_queue_and_format_is_cleared(self, instruments: SimulatedInstruments) -> None:
        async with metering(instruments, buffer={"samples": 3, "bits": 32}) as meter:
            assert (await meter.read()).value == pytest.approx(1.25, abs=1e-5)
        await instruments.fault("meter", "errors", n=20, number=-240)
        async with metering(instruments) as meter:
            assert (await meter.read()).value == pytest.approx(1.25, abs=1e-5)

    @pytest.mark.parametrize("no_error", ['0,"No error"', "0,no error", "+0", '+0,"NO ERROR"'])
    async def test_no_error_in_other_spellings(self, instruments: SimulatedInstruments, no_error: str) -> None:
        await instruments.fault("meter", "no_error", value=no_error)
        async with metering(instruments) as meter:
            await meter.read()

    @pytest.mark.parametrize("keys", [{}, {"buffer": {"samples": 5}}, {"buffer": {"samples": 5, "bits": 32}}])
    async def test_overload_and_no_value_are_errors(
        self, instruments: SimulatedInstruments, keys: dict[str, Any]
    ) -> None:
        async with metering(instruments, range=1.0, **keys) as meter:
            with pytest.raises(Implausible, match="overload") as caught:
                await meter.read()
            assert "range" in caught.value.advice
            assert (await meter.health()).code == "overload"
            await instruments.fault("meter", "signal", value=None)
            with pytest.raises(Implausible, match="not a number"):
                await meter.read()
            await instruments.fault("meter", "signal", value=0.5)
            assert (await meter.read()).value == pytest.approx(0.5, abs=1e-6)
            assert (await meter.health()).state == "ok"

    async def test_outside_its_limits_a_reading_is_bad(self, instruments: SimulatedInstruments) -> None:
        async with metering(instruments, low=0.0, high=1.0) as meter:
            assert (await meter.read()).quality == "bad"
            assert (await meter.health()).code == "out_of_range"
            await instruments.fault("meter", "signal", value=0.5)
            assert (await meter.read()).quality == "good"

    async def test_it_settles_before_its_trigger(self, instruments: SimulatedInstruments) -> None:
        """A light that changes while it waits is read as it is afterwards."""
        async with metering(instruments, settle_ms=300) as meter:
            reading = asyncio.create_task(meter.read())
            await asyncio.sleep(0.05)
            await instruments.fault("meter", "signal", value=2.5)
            assert (await reading).value == pytest.approx(2.5, abs=1e-5)

    async def test_measure_sets_all_anew_each_time(self, instruments: SimulatedInstruments) -> None:
        async with metering(instruments, ask="measure", power_cycles=None, range=5.0) as meter:
            assert (await meter.read()).value == pytest.approx(1.25, abs=1e-5)
            shown = await instruments.look("meter")
            assert (shown["range"], shown["periods"]) == (10.0, 10.0)

    async def test_a_buffer_gives_the_mean_of_its_readings(self, instruments: SimulatedInstruments) -> None:
        async with metering(instruments, range=10.0, buffer={"samples": 16}) as meter:
            # What the simulated instrument adds runs through all its sixteen steps, whose mean is nothing.
            assert (await meter.read()).value == pytest.approx(1.25, abs=1e-9)

    async def test_fault_21_another_instrument_is_not_used(self, instruments: SimulatedInstruments) -> None:
        await instruments.fault("meter", "identity", value="OTHER,BOX,1,2")
        with pytest.raises(DeviceMismatch, match="'OTHER,BOX,1,2', not '\\^HOUSE"):
            async with metering(instruments):
                pass

    @pytest.mark.parametrize("keys", [{}, {"buffer": {"samples": 8}}])
    @pytest.mark.parametrize(("what", "args"), [("split", {"gap_s": 0.02}), ("cut", {}), ("drop", {})])
    async def test_faults_24_31_an_answer_in_pieces_or_lost_is_asked_for_again(
        self, instruments: SimulatedInstruments, what: str, args: dict[str, Any], keys: dict[str, Any]
    ) -> None:
        async with metering(instruments, "meter_line", reading_s=0.5, **keys) as meter:
            await instruments.fault("meter_line", what, **args)
            for _ in range(2):
                assert (await meter.read()).value == pytest.approx(1.25, abs=1e-5)

    @pytest.mark.parametrize("keys", [{}, {"buffer": {"samples": 8}}])
    async def test_fault_26_after_a_corrupted_byte_it_is_in_step_again(
        self, instruments: SimulatedInstruments, keys: dict[str, Any]
    ) -> None:
        """A digit that has become another one is seen by nobody: lines of text carry no check."""
        async with metering(instruments, "meter_line", reading_s=0.5, **keys) as meter:
            for _ in range(5):
                await instruments.fault("meter_line", "corrupt")
                with suppress(DeviceError):
                    await meter.read()
                assert (await meter.read()).value == pytest.approx(1.25, abs=1e-5)

    async def test_fault_29_a_question_altered_on_its_way_is_told(self, instruments: SimulatedInstruments) -> None:
        async with metering(instruments, "meter_line", reading_s=0.5) as meter:
            await instruments.fault("meter_line", "lose", byte=ord("?"))
            with pytest.raises(DeviceError, match=r"'READ\?': -113, Undefined header"):
                await meter.read()
            assert (await meter.read()).value == pytest.approx(1.25, abs=1e-5)

    async def test_fault_27_a_reading_that_comes_too_late_is_never_the_next_one(
        self, instruments: SimulatedInstruments
    ) -> None:
        async with metering(instruments, "meter_line", reading_s=0.4) as meter:
            await instruments.fault("meter_line", "late", s=0.6)
            reading = asyncio.create_task(meter.read())
            await asyncio.sleep(0.2)  # asked for, and on its way
            await instruments.fault("meter", "signal", value=2.5)
            with suppress(LinkError):
                assert (await reading).value == pytest.approx(2.5, abs=1e-5)
            told = []
            for _ in range(5):
                with suppress(LinkError):
                    told.append((await meter.read()).value)
            assert told
            assert told == pytest.approx([2.5] * len(told), abs=1e-5)

    async def test_fault_19_switched_off_in_a_reading(self, instruments: SimulatedInstruments) -> None:
        async with metering(instruments, power_cycles=100.0, reading_s=30.0) as meter:
            reading = asyncio.create_task(meter.read())
            await asyncio.sleep(0.3)
            began = asyncio.get_running_loop().time()
            await instruments.fault("meter", "unplug")
            with pytest.raises(LinkError, match="lost"):
                await reading
            assert asyncio.get_running_loop().time() - began < 0.5
            assert (await meter.health()).code == "link"

    async def test_fault_25_endless_garbage_ends_at_a_deadline(self, instruments: SimulatedInstruments) -> None:
        async with metering(instruments, "meter_line", reading_s=0.3, timeout_s=0.3) as meter:
            await instruments.fault("meter_line", "silence", s=30)
            await instruments.fault("meter_line", "garbage", s=30)
            async with asyncio.timeout(meter.answers_within_s):
                with pytest.raises(DeviceError):
                    await meter.read()

    async def test_fault_33_a_wrong_baud_rate_is_no_other_instrument(self, instruments: SimulatedInstruments) -> None:
        await instruments.fault("meter_line", "wrong_baud", s=30)
        with pytest.raises((LinkGarbled, LinkTimeout, DeviceMismatch)):
            async with metering(instruments, "meter_line"):
                pass


FOREIGN = """
spec: "1.1"
devices:
  meter:
    eom:
      USB INSTR: {q: "\\n", r: "\\n"}
    error:
      status_register: [{q: "*ESR?", command_error: 32, query_error: 4}]
      error_queue:
        - q: "SYST:ERR?"
          default: '0, No Error'
          command_error: '-100, Command Error'
          query_error: '-400, Query Error'
    dialogues:
      - {q: "*IDN?", r: "OTHER,MM-4,77,0.1"}
      - {q: "*RST"}
      - {q: "*CLS"}
      - {q: "CONF:VOLT:DC 10.0"}
      - {q: "FUNC?", r: '"VOLTAGE:DC"'}
      - {q: "VOLT:DC:RANG?", r: "1.0E+1"}
      - {q: "READ?", r: "+3.14159E-01"}
resources:
  USB::0x1111::0x2222::S1::INSTR: {device: meter}
"""


@asynccontextmanager
async def foreign(folder: Path, **keys: Any) -> AsyncIterator[ScpiMeter]:
    (folder / "meter.yaml").write_text(FOREIGN, encoding="utf-8")
    config = VisaConfig(resource="USB0::0x1111::0x2222::S1::INSTR")
    link = VisaMessages("usb", config, library=f"{folder / 'meter.yaml'}@sim")
    await link.open()
    keys = {**METER, "identity": "^OTHER,MM-4,", "power_cycles": None, "range": 10.0, **keys}
    meter = ScpiMeter.create("diode", ScpiMeterConfig(**keys), link)
    try:
        yield meter
    finally:
        await meter.close()
        await link.close()


async def test_a_simulator_by_others_is_read(tmp_path: Path) -> None:
    async with foreign(tmp_path) as meter:
        assert (await meter.open()).model == "OTHER MM-4"
        assert (await meter.read()).value == 0.314159


async def test_a_simulator_by_others_refuses_what_it_does_not_know(tmp_path: Path) -> None:
    async with foreign(tmp_path, power_cycles=1.0) as meter:
        with pytest.raises(DeviceError, match=r"does not understand 'VOLT:DC:NPLC 1.0'.*-100, Command Error"):
            await meter.open()


def answering(**replies: str) -> PtyPeer:
    """An instrument of a few fixed answers."""
    fixed = {
        "*IDN?": "HOUSE,METER-6,1,1", "SYST:ERR?": "0,None", "FUNC?": "VOLT", "VOLT:DC:RANG?": "10",
        "VOLT:DC:NPLC?": "0.02", "READ?": "1.25", **replies,
    }  # fmt: skip

    def reply(text: bytes) -> bytes | None:
        said = fixed.get(text.decode("ascii"))
        return None if said is None else said.encode("ascii") + b"\n"

    return line_peer(reply)


@asynccontextmanager
async def at(peer: PtyPeer, **keys: Any) -> AsyncIterator[ScpiMeter]:
    link = VisaLink.create("line", VisaConfig(resource=f"ASRL{peer.path}::INSTR"))
    await link.open()
    try:
        yield ScpiMeter.create("diode", ScpiMeterConfig(**{**METER, "range": 10.0, **keys}), link)
    finally:
        await link.close()


@pytest.mark.parametrize(
    ("replies", "wrong"),
    [
        ({"FUNC?": '"CURR:DC"'}, 'has "CURR:DC" for `function`'),
        ({"FUNC?": "!"}, "has ! for `function`"),
        ({"VOLT:DC:RANG?": "1"}, "has 1 for `range`, where the bench file states 10"),
        ({"VOLT:DC:RANG?": "ten"}, "answers 'VOLT:DC:RANG?' with 'ten'"),
        ({"VOLT:DC:NPLC?": "0.01"}, "has 0.01 for `power_cycles`"),
        ({"SYST:ERR?": "what?"}, "answers 'SYST:ERR?' with 'what?'"),
        ({"SYST:ERR?": "-102,Syntax error"}, "does not understand '*RST'"),
        ({"SYST:ERR?": '-430,"Query DEADLOCKED"'}, "was out of step at"),
        ({"SYST:ERR?": '-310,"System error"'}, "has a fault of its own at"),
        ({"SYST:ERR?": '17,"Lid open"'}, "has refused '*RST': 17, Lid open"),
    ],
)
async def test_what_it_answers_amiss_is_refused_at_open(replies: dict[str, str], wrong: str) -> None:
    with answering(**replies) as peer:
        async with at(peer) as meter:
            with pytest.raises(DeviceError, match=re.escape(wrong)):
                await meter.open()


async def test_a_reading_that_is_none_is_asked_for_three_times(tmp_path: Path) -> None:
    with answering(**{"READ?": "1.2.5"}) as peer:
        async with at(peer) as meter:
            await meter.open()
            with pytest.raises(LinkGarbled, match=r"'1\.2\.5' is no number"):
                await meter.read()
            assert peer.received.count(b"READ?\n") == 3
            assert (await meter.health()).state == "fault"


@pytest.mark.parametrize(
    ("keys", "wrong"),
    [
        ({"identity": "("}, "not a regular expression"),
        ({"function": "VOLT DC"}, "no SCPI header"),
        ({"scale": 0}, "scale must not be 0"),
        ({"low": 1.0, "high": 1.0}, "low must be below high"),
        ({"ask": "measure"}, "power_cycles: nothing here"),
        ({"ask": "measure", "power_cycles": None, "buffer": {"samples": 2}}, "buffer: nothing here"),
        ({"buffer": {"samples": 0}}, "samples"),
        ({"buffer": {"samples": 2, "bits": 16}}, "bits"),
        ({"range": -1}, "range"),
        ({"quantity": "Light!"}, "quantity"),
        ({"volts": 3}, "volts"),
    ],
)
def test_a_wrong_key_is_refused(keys: dict[str, Any], wrong: str) -> None:
    with pytest.raises(ValidationError, match=wrong):
        ScpiMeterConfig(**{**METER, **keys})


def test_it_needs_a_link() -> None:
    with pytest.raises(ValueError, match="needs a link"):
        ScpiMeter.create("diode", ScpiMeterConfig(**METER), None)
