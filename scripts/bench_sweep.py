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
from bench_replay import Replay
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
    done, replay_s = asyncio.run(_measure(sweeps + 1, repeats, folder))
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
    bare = rest[-1].floor
    return [
        Figure(PART, "wall time over floor", usual.wall_s / floor.total_s, "", most=1.05,
               note=f"{usual.wall_s:.2f} s for {n} points, {floor.moves} moves; floor {floor.total_s:.2f} s"),
        Figure(PART, "software a point", usual.overhead_ms, "ms", most=1.0,
               note=f"wall less floor; all sweeps: {spread}. Floor a point, ms: {parts}"),
        Figure(PART, "bare replay a point", 1000.0 * (replay_s - bare.total_s) / bare.pictures, "ms",
               note="the last sweep again by blocking calls on the bare ports, less the same floor"),
        Figure(PART, "first sweep, over floor", first.wall_s / first.floor.total_s, "",
               note="the same just after start"),
    ]  # fmt: skip


async def _measure(sweeps: int, repeats: int, folder: Path | None) -> tuple[list[Swept], float]:
    with tempfile.TemporaryDirectory(prefix="benchd-bench-") as scratch:
        journal = (folder or Path(scratch)) / "journal.txt"
        async with Stack(folder=Path(scratch) / "stack", journal=journal) as stack:
            spans = await _drive(stack, sweeps, repeats)
            await stack.end("daemon")
            ports = json.loads((stack.run_folder / "ports.json").read_text(encoding="utf-8"))
            camera = BareCamera(ports["camera"])
            hardware = await asyncio.to_thread(_hardware, stack, camera)
            replay = Replay(stack.run_folder, camera, hardware)
            replay_s = await asyncio.to_thread(replay.run, read(journal), *spans[-1])
            replay.close()
            camera.close()
        chunks = read(journal)
        return [Swept(start, end, floor_of(chunks, start, end, hardware)) for start, end in spans], replay_s


async def _drive(stack: Stack, sweeps: int, repeats: int) -> list[tuple[float, float]]:
    """Monotonic times of each sweep: its command published, the event of its end heard."""
    spans = []
    async with stack.client("bench") as client:
        await make_ready(stack, client)
        for _ in range(sweeps):
            began = time.monotonic()
            await client.do("sweep", about="nominal", repeats=repeats, within_s=300.0)
            spans.append((began, time.monotonic()))
    return spans


def _hardware(stack: Stack, camera: BareCamera) -> Hardware:
    """From the bench file, and from bare fetches with the exposure that the sweeps left."""
    settings_s = camera.median_s("/settings", FETCHES)
    picture_s = camera.median_s("/frame.png", FETCHES)
    bench = load_bench(stack.bench_file).file
    axis = bench.devices[bench.roles["carriage"]]
    return Hardware(
        acceleration_um_s2=float(axis.rest["acceleration_um_s2"]),
        settle_s=bench.motion.settle_ms / 1000.0,
        baud=int(bench.links[axis.link or ""].rest["baud"]),
        picture_s=picture_s,
        settings_s=settings_s,
        um_per_unit=float(axis.rest["um_per_unit"]),
    )
