"""The stepped sweep against its floor: how much of its time is the hardware's, how much the software's."""

from __future__ import annotations

import asyncio
import json
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from bench_figure import Figure
from bench_floor import PICTURE, Floor, Hardware, floor_of
from bench_journal import Chunk, answered, read
from bench_ready import BareCamera, make_ready
from bench_replay import Replay
from benchd.files.loading import load_bench
from stack import Stack

PART = "sweep"
FETCHES, PAUSE_S = 12, 0.4
"""Bare fetches after each sweep, in the rhythm of its stations."""


@dataclass(frozen=True, slots=True)
class Span:
    """One sweep: monotonic times of its command published and of the event of its end heard, and how long each of the
    bare fetches after it took, with the exposure that it left (s)."""

    start: float
    end: float
    fetches_s: Sequence[float]


@dataclass(frozen=True, slots=True)
class Swept:
    """A sweep's wall time and its floor."""

    wall_s: float
    floor: Floor

    @property
    def overhead_ms(self) -> float:
        """What the software adds to each picture's place."""
        return 1000.0 * (self.wall_s - self.floor.total_s) / self.floor.pictures

    @property
    def hidden_ms(self) -> float:
        """What it would be more, were reports that pass while the carriage settles left out of the floor."""
        return 1000.0 * self.floor.hidden_s / self.floor.pictures


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
    last = rest[-1]
    more_ms = 1000.0 * (last.wall_s - replay_s) / last.floor.pictures
    return [
        Figure(PART, "wall time over floor", usual.wall_s / floor.total_s, "", most=1.05,
               note=f"{usual.wall_s:.2f} s for {n} points, {floor.moves} moves; floor {floor.total_s:.2f} s"),
        Figure(PART, "software a point", usual.overhead_ms, "ms", most=1.0,
               note=f"wall less floor; all sweeps: {spread}. Floor a point, ms: {parts}. "
                    f"Of the wire {usual.hidden_ms:.1f} pass while it settles"),
        Figure(PART, "bare replay a point", last.overhead_ms - more_ms, "ms",
               note=f"the last sweep again, blocking calls on the bare ports, less its floor: "
                    f"benchd took {more_ms:.1f} ms a point more than that"),
        Figure(PART, "first sweep, over floor", first.wall_s / first.floor.total_s, "",
               note="the same just after start"),
    ]  # fmt: skip


async def _measure(sweeps: int, repeats: int, folder: Path | None) -> tuple[list[Swept], float]:
    with tempfile.TemporaryDirectory(prefix="benchd-bench-") as scratch:
        journal = (folder or Path(scratch)) / "journal.txt"
        async with Stack(folder=Path(scratch) / "stack", journal=journal) as stack:
            ports = json.loads((stack.run_folder / "ports.json").read_text(encoding="utf-8"))
            camera = BareCamera(ports["camera"])
            spans = await _drive(stack, camera, sweeps, repeats)
            await stack.end("daemon")
            last = spans[-1]
            chunks = read(journal)
            replay = Replay(stack.run_folder, camera, _hardware(stack, last, chunks))
            replay_s = await asyncio.to_thread(replay.run, chunks, last.start, last.end)
            replay.close()
            camera.close()
        return [
            Swept(span.end - span.start, floor_of(chunks, span.start, span.end, _hardware(stack, span, chunks)))
            for span in spans
        ], replay_s


async def _drive(stack: Stack, camera: BareCamera, sweeps: int, repeats: int) -> list[Span]:
    spans = []
    async with stack.client("bench") as client:
        await make_ready(stack, client)
        for _ in range(sweeps):
            began = time.monotonic()
            await client.do("sweep", about="nominal", repeats=repeats, within_s=300.0)
            ended = time.monotonic()
            fetches_s = await asyncio.to_thread(camera.fetches_s, PICTURE.decode(), FETCHES, PAUSE_S)
            spans.append(Span(began, ended, fetches_s))
    return spans


def _hardware(stack: Stack, span: Span, chunks: Sequence[Chunk]) -> Hardware:
    """From the bench file, and from the bare fetches: their time here less their time in the camera."""
    took = [ask.took_s for ask in answered(chunks, PICTURE) if ask.t > span.end][: len(span.fetches_s)]
    bench = load_bench(stack.bench_file).file
    axis = bench.devices[bench.roles["carriage"]]
    return Hardware(
        acceleration_um_s2=float(axis.rest["acceleration_um_s2"]),
        settle_s=bench.motion.settle_ms / 1000.0,
        baud=int(bench.links[axis.link or ""].rest["baud"]),
        fetch_s=median(whole - inside for whole, inside in zip(span.fetches_s, took, strict=True)),
        um_per_unit=float(axis.rest["um_per_unit"]),
    )
