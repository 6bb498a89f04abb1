"""From the publishing of a stop to its first byte on a Modbus line, while the axis moves and is polled.

Such a line carries one question at a time: a stop comes before all that waits, and behind the answer under way. So the
time of that exchange is told beside it. The simulated line takes its time a byte at the stated baud rate; the drive
answers at once, where a real one thinks for some milliseconds, which come on top.
"""

from __future__ import annotations

import asyncio
import json
import random
import tempfile
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

from bench_figure import Figure, quantile
from bench_journal import Chunk, read
from benchd.errors import BenchdError
from benchd.mqtt.connection import Endpoint, open_connection
from stack import Stack

PART = "modbus"
STOPS = 100
LINES: dict[str, Mapping[str, Any]] = {
    "RTU at 19200 baud": {"kind": "modbus_rtu", "baud": 19_200},
    "RTU at 115200 baud": {"kind": "modbus_rtu", "baud": 115_200},
    "TCP": {"kind": "modbus_tcp"},
}
STOP_MS = 20.0
STOP = bytes.fromhex("06 00 03 00 02")
"""The command of the shipped bench: 2 into holding register 3."""
WITHIN_S = 1.0
NEAR_UM, FAR_UM = 1000.0, 29_000.0


def measure(*, stops: int = STOPS, lines: Sequence[str] = tuple(LINES)) -> list[Figure]:
    """p50, p99 and the greatest of each kind of line."""
    return [figure for line in lines for figure in figures_of(line, *asyncio.run(_measure(stops, line)))]


def figures_of(line: str, published: Sequence[float], chunks: Sequence[Chunk]) -> list[Figure]:
    """What was published, and what then went over the cable."""
    port = "drive_tcp" if line == "TCP" else "drive"
    at = [chunk.t for chunk in chunks if chunk.port == port and chunk.direction == "in" and STOP in chunk.data]
    firsts = [next((when for when in at if when >= t), None) for t in published]
    waits = [when - t for when, t in zip(firsts, published, strict=True) if when is not None and when - t < WITHIN_S]
    exchanges = _exchanges_s([chunk for chunk in chunks if chunk.port == port])
    p50, p99, most = (1000.0 * quantile(waits, share) for share in (0.5, 0.99, 1.0))
    note = (
        f"p50 {p50:.1f} ms, greatest {most:.1f} ms of {len(waits)}; {len(published) - len(waits)} not seen; "
        f"a question and its answer take {1000.0 * quantile(exchanges, 0.5):.1f} ms"
    )
    return [Figure(PART, f"stop in a move to first byte, {line}, p99", p99, "ms", most=STOP_MS, note=note)]


def _exchanges_s(chunks: Sequence[Chunk]) -> list[float]:
    """From each question to its answer."""
    return [
        after.t - before.t for before, after in pairwise(chunks) if (before.direction, after.direction) == ("in", "out")
    ]


async def _measure(stops: int, line: str) -> tuple[list[float], list[Chunk]]:
    with tempfile.TemporaryDirectory(prefix="benchd-bench-") as scratch:
        journal, folder = Path(scratch) / "journal.txt", Path(scratch) / "stack"

        def on_that_line(bench_file: Any) -> None:
            keys = dict(LINES[line])
            if keys["kind"] == "modbus_tcp":
                ports = json.loads((stack.run_folder / "ports.json").read_text(encoding="utf-8"))
                bench_file["links"]["drive_line"] = {**keys, "url": ports["drive_tcp"]}
            else:
                bench_file["links"]["drive_line"].update(keys)

        stack = Stack(
            folder=folder, config="workshop-modbus", hardware=("--modbus",), journal=journal, change=on_that_line
        )
        async with stack:
            published = await stopped(stack, stops)
            await stack.end("daemon")
            await stack.end("sim")  # the journal is whole only now
        return published, read(journal)


async def stopped(stack: Stack, stops: int) -> list[float]:
    """Home, then set off and stop so often; when each stop was published (monotonic)."""
    published: list[float] = []
    rng = random.Random(1)
    endpoint = Endpoint(stack.ports["host"], stack.ports["port"], "5")
    async with stack.client("bench") as client, open_connection(endpoint, "bench-stop", queue=100) as wire:
        await client.command("take", beat=False)
        await client.do("home", within_s=60.0)
        for count in range(stops):
            to_um = FAR_UM if count // 10 % 2 == 0 else NEAR_UM
            move = asyncio.create_task(client.do("move", carriage_um=to_um, within_s=30.0))
            await asyncio.sleep(rng.uniform(0.15, 0.4))
            published.append(time.monotonic())
            await wire.publish(client.topics.command("bench", "stop"), b"", qos=1)
            with suppress(BenchdError):  # it was broken off
                await move
            await asyncio.sleep(0.1)  # until it has seen to it that everything stands
        await client.command("release", beat=False)
    return published
