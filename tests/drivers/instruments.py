"""The simulated supply and multimeter as a process of their own: ports, displays, and hands to misuse them."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchd.devices import Link
from benchd.testing.rig import Hands
from benchd_drivers.link.visa import VisaLink
from benchd_drivers.link.visa_config import VisaConfig
from benchd_simulators.firmware.hand import tell

CABLES = ("supply", "supply_line", "meter", "meter_line")
METER: dict[str, Any] = {
    "identity": "^HOUSE,METER-6,", "function": "VOLTage:DC", "quantity": "light", "unit": "V", "power_cycles": 0.02,
}  # fmt: skip
LIGHT: dict[str, Any] = {"identity": "^HOUSE,SUPPLY-30,", "current_A": (0.0, 0.7), "limit_V": 12.0}


@dataclass
class SimulatedInstruments:
    """Both, each on a socket and on a serial line."""

    folder: Path

    @property
    def places(self) -> dict[str, str]:
        """The VISA resource of each cable."""
        found: dict[str, str] = json.loads((self.folder / "ports.json").read_text())
        return found

    def link(self, cable: str, **keys: Any) -> Link:
        """A new link by VISA to one of the cables."""
        where = self.places[cable]
        return VisaLink.create(
            cable, VisaConfig(resource=where, **({"baud": 115200} if "ASRL" in where else {}), **keys)
        )

    def hands(self, cable: str) -> InstrumentHands:
        return InstrumentHands(self, cable)

    async def fault(self, who: str, what: str, **args: object) -> None:
        await self._do({"do": "fault", "who": who, "what": what, "args": args})

    async def look(self, which: str) -> dict[str, Any]:
        """What its display shows."""
        found: dict[str, Any] = (await self._do({"do": "look"}))[which]
        return found

    async def mend(self) -> None:
        for cable in CABLES:
            await self.fault(cable, "plug")
            await self.fault(cable, "clear")
        await self._do({"do": "factory"})

    async def _do(self, command: dict[str, Any]) -> dict[str, Any]:
        answer = await asyncio.to_thread(tell, self.folder, command)
        assert answer["ok"], answer
        return answer


@dataclass
class InstrumentHands(Hands):
    """The conformance kit's hands on one cable."""

    instruments: SimulatedInstruments
    cable: str

    async def unplug(self) -> None:
        await self.instruments.fault(self.cable, "unplug")

    async def plug(self) -> None:
        await self.instruments.fault(self.cable, "plug")

    async def silence(self, seconds: float) -> None:
        await self._timed("silence", seconds)

    async def garbage(self, seconds: float) -> None:
        await self._timed("garbage", seconds)

    async def _timed(self, what: str, seconds: float) -> None:
        if seconds:
            await self.instruments.fault(self.cable, what, s=seconds)
        else:
            await self.instruments.fault(self.cable, "clear")


@contextmanager
def running(folder: Path) -> Iterator[SimulatedInstruments]:
    """Both in a process that ends with this one."""
    command = [sys.executable, "-m", "benchd_simulators.cli", "instruments", "--dir", str(folder)]
    ports = ["--supply-port", "0", "--meter-port", "0", "--with-parent"]
    with subprocess.Popen([*command, *ports], stdout=subprocess.DEVNULL) as process:
        try:
            deadline = time.monotonic() + 30
            while not (folder / "ports.json").exists():
                assert process.poll() is None, "the simulated instruments ended"
                assert time.monotonic() < deadline, "the simulated instruments did not start"
                time.sleep(0.05)
            yield SimulatedInstruments(folder)
        finally:
            process.terminate()
