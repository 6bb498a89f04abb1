"""The drivers that DEVELOPERS.md shows, taken out of its text and held against the contracts of their kinds."""

from __future__ import annotations

import asyncio
import re
import threading
import time
from collections.abc import AsyncIterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import pytest_asyncio

from benchd.devices import DeviceError, DeviceMismatch
from benchd.testing.conformance import GaugeContract, LightContract, MeterContract
from benchd.testing.leaks import no_leaks
from benchd.testing.peer import PtyPeer, line_peer
from benchd.testing.rig import Hands, Rig
from benchd_drivers.link.port import SerialLink
from benchd_drivers.link.visa import VisaLink
from benchd_drivers.link.visa_config import VisaConfig
from tests.drivers.conftest import SimulatedBench, SimulatedHands
from tests.drivers.drive import MODEL, UNIT, modbus_meter, rtu_link

__all__ = ["no_leaks"]

PAPER = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
NOISE = bytes(range(256))


def shown() -> Any:
    """The class in the code block, made as a reader's module would make it."""
    return shown_class("PlainLight")


def shown_class(name: str) -> Any:
    """A class by its name, from the one code block that has it."""
    (code,) = (block for block in blocks() if f"class {name}(" in block)
    module = ModuleType(name)
    exec(compile(code, str(PAPER), "exec"), module.__dict__)
    return getattr(module, name)


def blocks() -> list[str]:
    """Every piece of Python that it shows."""
    found: list[str] = re.findall(r"```python\n(.*?)```", PAPER.read_text(encoding="utf-8"), re.DOTALL)
    return found


class FarEnd(Hands):
    """What is at the other end of a pseudo-terminal, whose device file `port` follows; and hands to misuse it."""

    def __init__(self, port: Path) -> None:
        self.port = port
        self._mute_until = 0.0
        self._noisy = threading.Event()
        self._noise: threading.Thread | None = None
        self.peer: PtyPeer = line_peer(self._answer)

    def said(self, text: bytes) -> bytes | None:
        """What it answers to a line."""
        raise NotImplementedError

    def _answer(self, text: bytes) -> bytes | None:
        said = self.said(text)
        return None if time.monotonic() < self._mute_until else said

    async def plug(self) -> None:
        self.peer.plug()
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(self.peer.path)

    async def unplug(self) -> None:
        await asyncio.to_thread(self.peer.unplug)

    async def silence(self, seconds: float) -> None:
        self._mute_until = time.monotonic() + seconds

    async def garbage(self, seconds: float) -> None:
        self._noisy.clear()
        if self._noise is not None:
            await asyncio.to_thread(self._noise.join)
            self._noise = None
        if seconds:
            self._noisy.set()
            self._noise = threading.Thread(target=self._make_noise, args=(time.monotonic() + seconds,))
            self._noise.start()

    def _make_noise(self, until: float) -> None:
        while self._noisy.is_set() and time.monotonic() < until:
            self.peer.send(NOISE[::7])
            time.sleep(0.01)


class Lamp(FarEnd):
    level = b"0.70"  # as somebody left it

    def said(self, text: bytes) -> bytes:
        if re.fullmatch(rb"LIGHT [01]\.\d\d", text):
            self.level = text.split()[1]
        elif text not in (b"LIGHT?", b"ID"):
            return b"what?\n"
        return b"ID plain light 1\n" if text == b"ID" else b"LIGHT " + self.level + b"\n"


class Thermometer(FarEnd):
    warmth, trouble = b"+2.1500E+01", b'0,"No error"'

    def said(self, text: bytes) -> bytes | None:
        told = {b"*IDN?": b"HOUSE,PROBE-1,7,1.0", b"MEAS:TEMP?": self.warmth, b"SYST:ERR?": self.trouble}.get(text)
        return None if told is None else told + b"\n"


class TestExampleDriver(LightContract):
    @pytest_asyncio.fixture
    async def rig(self, no_leaks: None, tmp_path: Path) -> AsyncIterator[Rig]:
        lamp = Lamp(tmp_path / "lamp")
        await lamp.plug()
        link = SerialLink.create("lamp", SerialLink.Config(port=str(lamp.port)))
        try:
            await link.open()
            kind = shown()
            device = kind.create("lamp", kind.Config(), link)
            identity = await device.open()
            assert identity.model == "ID plain light 1"
            assert lamp.level == b"0.00"
            yield Rig(device, link, lamp)
            await device.set_level(0.5)
            await device.close()
            assert lamp.level == b"0.00"
        finally:
            await link.close()
            await lamp.garbage(0.0)
            await lamp.unplug()


class TestExampleByVisa(MeterContract):
    @pytest_asyncio.fixture
    async def rig(self, no_leaks: None, tmp_path: Path) -> AsyncIterator[Rig]:
        probe = Thermometer(tmp_path / "probe")
        await probe.plug()
        link = VisaLink.create("probe", VisaConfig(resource=f"ASRL{probe.port}::INSTR"))
        try:
            await link.open()
            kind = shown_class("VisaThermometer")
            device = kind.create("probe", kind.Config(identity="HOUSE,PROBE-1,"), link)
            assert (await device.open()).model == "HOUSE,PROBE-1,7,1.0"
            yield Rig(device, link, probe)
            await device.close()
        finally:
            await link.close()
            await probe.garbage(0.0)
            await probe.unplug()

    async def test_what_is_no_value_is_an_error(self, rig: Rig) -> None:
        device, probe = self.device(rig), rig.hands
        assert isinstance(probe, Thermometer)
        assert (await device.read()).value == 21.5
        for warmth, error in ((b"9.91E37", "open"), (b"-9.9E+37", "open"), (b"warm", "'warm' is no number")):
            probe.warmth = warmth
            with pytest.raises(DeviceError, match=error):
                await device.read()
        probe.trouble = b'-240,"Hardware error"'
        with pytest.raises(DeviceError, match="-240"):
            await device.read()

    async def test_another_instrument_is_refused(self, rig: Rig) -> None:
        kind = shown_class("VisaThermometer")
        with pytest.raises(DeviceMismatch, match="PROBE-1"):
            await kind.create("probe", kind.Config(identity="OTHER"), rig.link).open()


class TestExampleByModbus(GaugeContract):
    """On the serial line of the simulated drive."""

    pytestmark = pytest.mark.stack

    @pytest_asyncio.fixture
    async def rig(self, no_leaks: None, drive_bench: SimulatedBench) -> AsyncIterator[Rig]:
        link = rtu_link(drive_bench)
        try:
            await link.open()
            kind = shown_class("ModbusIndicator")
            device = kind.create("dial", kind.Config(unit_id=UNIT, model=MODEL["value"]), link)
            assert (await device.open()).model == "19761"
            yield Rig(device, link, SimulatedHands(drive_bench, "drive"))
            await device.close()
        finally:
            await link.close()

    async def test_it_tells_what_the_library_of_registers_tells(self, rig: Rig) -> None:
        """The same height stands in two other registers, as a float32 in millimetres."""
        assert rig.link is not None
        said = await modbus_meter(rig.link).read()
        assert (await self.device(rig).read()).value == pytest.approx(1000 * said.value, abs=0.3)

    async def test_another_device_and_a_refusal_are_told(self, rig: Rig) -> None:
        kind = shown_class("ModbusIndicator")
        with pytest.raises(DeviceMismatch, match="model 19761 answers"):
            await kind.create("dial", kind.Config(unit_id=UNIT, model=5), rig.link).open()
        with pytest.raises(DeviceError, match="refuses register 99: exception 2"):
            await self.device(rig)._input(99)  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", ["VisaThermometer", "ModbusIndicator"])
def test_an_example_is_short(name: str) -> None:
    (code,) = (block for block in blocks() if f"class {name}(" in block)
    assert len(code.splitlines()) < 80
