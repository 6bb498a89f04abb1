"""The stepped sweep against its floor: how much of its time is the hardware's, how much the software's."""

from __future__ import annotations

import asyncio
import json
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from bench_figure import Figure
from bench_floor import Floor, Hardware, floor_of
from bench_journal import read
from bench_ready import BareCamera, make_ready
from benchd.files.loading import load_bench
from stack import Stack

PART = "sweep"
FETCHES = 40


@dataclass(frozen=True, slots=True)
class Swept:
    """One sweep: monotonic times of the command and of the event that told its end, and its floor."""

    start: float
    end: float
    floor: Floor

    @property
    def wall_s(self) -> float:
        return self.end - self.start

    @property
    def overhead_ms(self) -> float:
        """What the software adds to each picture's place."""
        return 1000.0 * (self.wall_s - self.floor.total_s) / self.floor.pictures


def measure(*, sweeps: int = 3, repeats: int = 3, folder: Path | None = None) -> list[Figure]:
    """The median sweep of `sweeps`, each of `repeats` passes, on a bench at pace 1; the first one is told beside."""
    done = asyncio.run(_measure(sweeps + 1, repeats, folder))
    first, *rest = done
    usual = sorted(rest, key=lambda one: one.overhead_ms)[len(rest) // 2]
    floor, n = usual.floor, usual.floor.pictures
    parts = ", ".join(
        f"{name} {1000.0 * seconds / n:.1f}"
        for name, seconds in (
            ("motion", floor.motion_s),
            ("settling", floor.settling_s),
            ("pictures", floor.pictures_s),
            ("wire", floor.wire_s),
        )
    )
    spread = "; ".join(f"{one.overhead_ms:.1f}" for one in rest)
    return [
        Figure(PART, "wall time over floor", usual.wall_s / floor.total_s, "", most=1.05,
               note=f"{usual.wall_s:.2f} s for {n} points, {floor.moves} moves; floor {floor.total_s:.2f} s"),
        Figure(PART, "software a point", usual.overhead_ms, "ms", most=1.0,
               note=f"floor a point, ms: {parts}; all sweeps: {spread}"),
        Figure(PART, "first sweep, over floor", first.wall_s / first.floor.total_s, "",
               note="the same just after start"),
    ]  # fmt: skip


async def _measure(sweeps: int, repeats: int, folder: Path | None) -> list[Swept]:
    with tempfile.TemporaryDirectory(prefix="benchd-bench-") as scratch:
        journal = (folder or Path(scratch)) / "journal.txt"
        async with Stack(folder=Path(scratch) / "stack", journal=journal) as stack:
            hardware, spans = await _drive(stack, sweeps, repeats)
            await stack.end("daemon")
            await stack.end("sim")  # the journal is whole only now
        chunks = read(journal)
        return [Swept(start, end, floor_of(chunks, start, end, hardware)) for start, end in spans]


async def _drive(stack: Stack, sweeps: int, repeats: int) -> tuple[Hardware, list[tuple[float, float]]]:
    spans = []
    async with stack.client("bench") as client:
        await make_ready(stack, client)
        for _ in range(sweeps):
            began = time.monotonic()
            await client.do("sweep", about="nominal", repeats=repeats, within_s=300.0)
            spans.append((began, time.monotonic()))
        hardware = json.loads((stack.run_folder / "ports.json").read_text(encoding="utf-8"))
        camera = BareCamera(hardware["camera"])
        settings = await asyncio.to_thread(camera.median_s, "/settings", FETCHES)
        picture = await asyncio.to_thread(camera.median_s, "/frame.png", FETCHES)
        camera.close()
    bench = load_bench(stack.bench_file).file
    axis = bench.devices[bench.roles["carriage"]]
    return Hardware(
        acceleration_um_s2=float(axis.rest["acceleration_um_s2"]),
        settle_s=bench.motion.settle_ms / 1000.0,
        baud=int(bench.links[axis.link or ""].rest["baud"]),
        picture_s=picture,
        settings_s=settings,
        um_per_unit=float(axis.rest["um_per_unit"]),
    ), spans
