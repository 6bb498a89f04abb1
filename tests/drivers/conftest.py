"""The simulated bench as a process of its own, and a fixture that fails what is left behind."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
import serial

from benchd.testing.leaks import no_leaks
from benchd.testing.rig import Hands
from benchd_simulators.firmware.hand import tell
from tests.drivers.instruments import SimulatedInstruments, running

__all__ = ["no_leaks"]
PACE = 5.0


@dataclass
class SimulatedBench:
    """A running simulator: where its ports are, and a way to break them."""

    folder: Path

    @property
    def ports(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.folder / "ports.json").read_text())
        return found

    @property
    def camera(self) -> str:
        """Where the camera's server is, without a path."""
        return str(self.ports["camera"]).removesuffix("/frame.png")

    async def fault(self, who: str, what: str, **args: object) -> None:
        answer = await asyncio.to_thread(tell, self.folder, {"do": "fault", "who": who, "what": what, "args": args})
        assert answer["ok"], answer

    async def unlock(self) -> None:
        """Lift the lock that the board has after power-up, as a terminal program would."""
        answer = await asyncio.to_thread(_ask, str(self.folder / "board"), b"$X\n")
        assert b"ok" in answer, answer

    async def truth(self) -> dict[str, Any]:
        answer = await asyncio.to_thread(tell, self.folder, {"do": "truth"})
        found: dict[str, Any] = answer["truth"]
        return found


@dataclass
class SimulatedHands(Hands):
    """The conformance kit's hands on one port of the simulated bench."""

    bench: SimulatedBench
    who: str

    async def unplug(self) -> None:
        await self.bench.fault(self.who, "unplug")

    async def plug(self) -> None:
        await self.bench.fault(self.who, "plug")

    async def silence(self, seconds: float) -> None:
        await self._timed("silence", seconds)

    async def garbage(self, seconds: float) -> None:
        await self._timed("garbage", seconds)

    async def _timed(self, what: str, seconds: float) -> None:
        if seconds and self.who == "camera":  # its faults are counted in pictures
            await self.bench.fault("camera", "late" if what == "silence" else what, n=1000, s=seconds)
        elif seconds:
            await self.bench.fault(self.who, what, s=seconds)
        else:
            await self.bench.fault(self.who, "clear")


def _ask(path: str, data: bytes) -> bytes:
    with serial.Serial(path, 115200, timeout=20) as line:
        line.write(data)
        return bytes(line.read_until(b"ok\r\n"))


@pytest.fixture
def hands_on(bench: SimulatedBench) -> Callable[[str], SimulatedHands]:
    return lambda who: SimulatedHands(bench, who)


@pytest.fixture(scope="session")
def simulator(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedBench]:
    yield from _running(tmp_path_factory.mktemp("bench"))


@pytest.fixture(scope="session")
def drive_simulator(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedBench]:
    yield from _running(tmp_path_factory.mktemp("drive"), "--modbus", world="workshop-rings")


@pytest.fixture(scope="session")
def rings_simulator(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedBench]:
    yield from _running(tmp_path_factory.mktemp("rings"), world="workshop-rings")


@pytest_asyncio.fixture
async def rings_bench(rings_simulator: SimulatedBench) -> AsyncIterator[SimulatedBench]:
    """The simulated bench with motors on the lens's rings, every fault mended before and after."""
    await mend(rings_simulator)
    yield rings_simulator
    await mend(rings_simulator)


def _running(folder: Path, *options: str, world: str = "workshop") -> Iterator[SimulatedBench]:
    command = [sys.executable, "-m", "benchd_simulators.cli", "up", world, "--dir", str(folder)]
    with subprocess.Popen(
        [*command, "--pace", str(PACE), "--camera-port", "0", "--with-parent", *options],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            deadline = time.monotonic() + 30
            while not (folder / "ports.json").exists():
                assert process.poll() is None, "the simulator ended"
                assert time.monotonic() < deadline, "the simulator did not start"
                time.sleep(0.05)
            yield SimulatedBench(folder)
        finally:
            process.terminate()


@pytest_asyncio.fixture
async def bench(simulator: SimulatedBench) -> AsyncIterator[SimulatedBench]:
    """The simulated bench with every fault mended before and after."""
    await mend(simulator)
    yield simulator
    await mend(simulator)


@pytest_asyncio.fixture
async def drive_bench(drive_simulator: SimulatedBench) -> AsyncIterator[SimulatedBench]:
    """The simulated bench on Modbus drives, as just powered up, every fault mended before and after."""
    await mend_drive(drive_simulator)
    yield drive_simulator
    await mend_drive(drive_simulator)


async def mend_drive(bench: SimulatedBench) -> None:
    for who in ("drive", "drive_tcp"):
        await bench.fault(who, "plug")
        await bench.fault(who, "clear")
    for what in ("stall", "switch_stuck", "switch_never"):
        await bench.fault("world", what, value=False)
    for unit in (17, 18, 19):
        await bench.fault("drive", "refuse", n=0, unit=unit)
        await bench.fault("drive", "model", unit=unit)
        await bench.fault("drive", "power_up", unit=unit)


async def mend(bench: SimulatedBench) -> None:
    for who in ("board", "counter", "indicator", "camera"):
        await bench.fault(who, "plug")
        await bench.fault(who, "clear")
    for what in ("stall", "switch_stuck", "switch_never", "encoder_frozen", "encoder_reversed"):
        await bench.fault("world", what, value=False)
    await bench.fault("board", "shut_door")
    await bench.fault("board", "identity", value="7A01")
    for build, usual in (("native", False), ("origin_at_switch", False), ("pwm", True), ("homing_reports", False)):
        await bench.fault("board", build, value=usual)
    await bench.fault("board", "factory")
    await bench.fault("board", "power_up")


@pytest.fixture(scope="session")
def two_instruments(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimulatedInstruments]:
    with running(tmp_path_factory.mktemp("instruments")) as both:
        yield both


@pytest_asyncio.fixture
async def instruments(two_instruments: SimulatedInstruments) -> AsyncIterator[SimulatedInstruments]:
    """Supply and multimeter as they leave the factory, every fault mended before and after."""
    await two_instruments.mend()
    yield two_instruments
    await two_instruments.mend()
