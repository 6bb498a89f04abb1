"""A bench whose drivers are of a package of other people, laid out in a folder, and what is heard of it."""

from __future__ import annotations

import asyncio
import json
import shutil
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import Any

from benchd.client.bench_client import BenchClient

HERE = Path(__file__).resolve().parent
ENTRY_POINTS = """
[benchd.drivers]
foreign_meter = foreign_drivers:ForeignMeter
foreign_light = foreign_drivers:ForeignLight
foreign_axis = foreign_drivers:ForeignAxis
foreign_future = foreign_drivers:FromTheFuture
foreign_strange = foreign_drivers:Strange
foreign_broken = foreign_broken:Anything

[benchd.links]
foreign_line = foreign_drivers:ForeignLink
"""
BENCH = """
bench: foreign
arrangement: wall
devices:
  stage: {{driver: foreign_axis, folder: "{folder}"}}
  lamp: {{driver: foreign_light, folder: "{folder}"}}
  good: {{driver: foreign_meter, folder: "{folder}"}}
{more}
roles: {{carriage: stage}}
motion: {{tolerance_um: 1.0, settle_ms: 10}}
joint: {{u_um: 0.7}}
base: {{calibration: bench-zero, alpha_per_K: 11.5e-6, given: {{length_um: 24000, u_um: 100}}}}
target: {{id: cross-2, pitch_mm: 1.0, u_pitch_mm: 0.001}}
mounts: {{m50: {{flange_depth_mm: 50.0}}}}
mqtt: {mqtt}
store: {{url: "sqlite:///foreign.db"}}
"""


class ForeignBench:
    """A bench of foreign devices alone, in a folder of its own; `mqtt` is that section of its file."""

    mqtt = "{broker: embedded, ports: [0, 0]}"

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.site = folder / "site"
        info = self.site / "foreign_drivers-2.5.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: foreign-drivers\nVersion: 2.5\n")
        (info / "entry_points.txt").write_text(ENTRY_POINTS)
        shutil.copy(HERE / "foreign_drivers.py", self.site)
        (self.site / "foreign_broken.py").write_text("import a_library_that_is_not_installed\n")
        self.bench(more="")
        self.moods({})
        self.client: BenchClient

    def bench(self, *, more: str) -> None:
        """Write the bench file, with more devices."""
        text = BENCH.format(folder=self.folder, more=more, mqtt=self.mqtt)
        (self.folder / "bench.yaml").write_text(text, encoding="utf-8")

    def moods(self, moods: Mapping[str, str]) -> None:
        """How the devices behave from now on."""
        new = self.folder / "moods.new"
        new.write_text(json.dumps(dict(moods)))
        new.rename(self.folder / "moods.json")

    @property
    def did(self) -> list[str]:
        """What devices were asked for, in order."""
        file = self.folder / "did.txt"
        return file.read_text().split() if file.exists() else []

    async def state(self, device: str, state: str) -> dict[str, Any]:
        """What is told of a device once it is in this state."""
        async with asyncio.timeout(120):
            async for _, said in self.client.watch(f"device/{device}"):
                if said is not None and said["state"] == state:
                    return dict(said)
        raise AssertionError

    async def told_of(self, device: str, text: str) -> None:
        """Return once this is told of a device."""
        async with asyncio.timeout(120):
            async for _, said in self.client.watch(f"device/{device}"):
                if said is not None and text in said.get("text", ""):
                    return

    async def told_on(self, device: str, times: int) -> None:
        """A device is told of so many times more."""
        seen = set()
        async with asyncio.timeout(120):
            async for _, said in self.client.watch(f"device/{device}"):
                seen.add(said["seq"])
                if len(seen) > times:
                    return

    async def beats(self, times: int) -> None:
        """The beat goes on."""
        seen = set()
        async with asyncio.timeout(120):
            async for _, said in self.client.watch("beat"):
                seen.add(said["beat"])
                if len(seen) > times:
                    return


async def told_in(events: AsyncIterator[tuple[str, Any]], text: str) -> None:
    """Return once an event says this."""
    async with asyncio.timeout(120):
        async for _, event in events:
            if text in event["text"]:
                return
