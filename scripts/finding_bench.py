"""A homed bench with its light on, and somebody who states a set-up, brings it about, and finds focus there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import technician
from benchd.files.loading import load_bench

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient
    from benchd.files.bench_file import BenchFile
    from technician import Technician

LENS, TWIN, RING, PANE = "L-0417", "L-0418", ("ring-07",), ("pane-25",)
"""The twins are the same lens but for the plate that the first was made for."""

LEVEL = 0.4
"""Of the light."""

MARKS_APART_MM = 220.0
"""Of two marks on the wall, where a bench has them."""

STRIP_PITCH_MM = 10.0
"""Of a strip of bars on the wall, where a bench has one: 160 mm of it by a rule of .1."""

Finding = dict[str, Any]


def with_marks(doc: Any) -> None:
    """The bench file of a bench with two marks on its wall."""
    marks = {"marks_apart_mm": MARKS_APART_MM, "u_marks_apart_mm": 0.1, "u_distortion": 2e-4}
    doc["arrangement"] = {"kind": "wall", **marks}


def with_strip(doc: Any) -> None:
    """The bench file of a bench with a strip of bars on its wall."""
    strip = {"mark_pitch_mm": STRIP_PITCH_MM, "u_mark_pitch_mm": 0.00625, "u_distortion": 2e-4}
    doc["arrangement"] = {"kind": "wall", **strip}


class Bench(technician.Bench, Protocol):
    """What a person lays hands on, and the file that its daemon runs."""

    @property
    def bench_file(self) -> Path: ...


def truth_of(bench: technician.Bench) -> dict[str, Any]:
    """What the world knows and nobody else does, read after the fact."""
    found: dict[str, Any] = bench.ask_world({"do": "truth"})["truth"]
    return found


@dataclass(frozen=True)
class FindingBench:
    """A homed bench with its light on, a client in control, and the hand."""

    bench: Bench
    client: BenchClient
    technician: Technician

    @property
    def file(self) -> BenchFile:
        """The bench file, read."""
        return load_bench(self.bench.bench_file).file

    def truth(self) -> dict[str, Any]:
        """What the world knows and nobody else does."""
        return truth_of(self.bench)

    async def lit(self) -> None:
        """The light on, as most procedures leave it dark; in control, which lapses while they run."""
        await self.client.command("take", beat=False)
        await self.client.command("light", beat=False, level=LEVEL)

    async def find(self, lens: str, adapters: Sequence[str], glass: Sequence[str], **more: Any) -> Finding:
        """State a set-up, bring it about, drive to nominal, sweep; gives the finding."""
        await self.client.command("take", beat=False)  # it may have lapsed while another bench was at work
        stands = {"lens": lens, "adapters": list(adapters), "glass": list(glass), "ring": "infinity", **more}
        await self.client.command("setup", set={"distance_mm": None, "m": None, "trim_um": None, **stands})
        self.technician.fit(list(adapters), list(glass), lens)
        return await self.sweep()

    async def find_at_wall(self, lens: str, adapters: Sequence[str], glass: Sequence[str]) -> Finding:
        """The same, wall and magnification measured by tape first."""
        self.technician.fit(list(adapters), list(glass), lens)
        tape = self.technician.measure("tape")
        return await self.find(lens, adapters, glass, distance_mm=tape["distance_mm"], m=tape["m"])

    async def sweep(self, **more: Any) -> Finding:
        """A sweep about nominal with all as it stands; gives its finding. Raises RunEnded where it did not end."""
        await self.client.do("nominal")
        events = self.client.events()
        run = (await self.client.command("sweep", **{"repeats": 2, **more}))["run"]
        answered: set[str] = set()
        state: dict[str, Any] = {}
        async for state in self.client.follow(run):
            ask = state["ask"]
            if ask is not None and ask["ask"] not in answered:
                answered.add(ask["ask"])
                assert ask["name"] == "glass_meant"  # each lens is swept with and without the plate
                await self.client.answer(ask["ask"], True)
        if state["state"] != "done":
            raise technician.RunEnded(f"A sweep ended as '{state['state']}'.{await technician.why(events)}")
        return await self.technician.finding("flange", run)


async def ready(bench: Bench, client: BenchClient, technician: Technician) -> FindingBench:
    technician.clear()
    await client.do("home")
    await client.command("light", beat=False, level=LEVEL)
    return FindingBench(bench, client, technician)
