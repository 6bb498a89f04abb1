"""From the publishing of a command to its first byte on the port, against a bare echo through the same broker.

Echoes and commands take turns within one run, so that both meet the same machine. Times on the port are the
simulated hardware's own, of the first byte that the command causes: `!` of a stop, the line of a light or a move.
"""

from __future__ import annotations

import asyncio
import random
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt

from bench_figure import Figure, quantile
from bench_journal import Chunk, lines, read
from bench_ready import make_ready
from benchd.mqtt.connection import Endpoint, open_connection
from stack import Stack

PART = "latency"
LIGHTS, STOPS, MOVES = 300, 200, 200
MOST_ECHOES = 2.0
"""What a command may take to its first byte on the port, in echoes of the same run."""

STOP_MS = 20.0
"""What a stop may take whatever else goes on."""

WITHIN_S = 0.25
"""A first byte later than this belongs to something else; the command then counts as lost."""


@dataclass
class Told:
    """When each thing was published (monotonic), and how long each echo took (s)."""

    echoes: list[float] = field(default_factory=list)
    published: dict[str, list[float]] = field(default_factory=dict)


def measure(*, lights: int = LIGHTS, stops: int = STOPS, moves: int = MOVES) -> list[Figure]:
    """p99 of stop, light and move against twice the p99 of the echo."""
    return figures_of(*asyncio.run(_measure(lights, stops, moves)))


def figures_of(told: Told, chunks: Sequence[Chunk]) -> list[Figure]:
    """The figures of what was published and of what then went over the cables."""
    echo50, echo99 = (1000.0 * quantile(told.echoes, share) for share in (0.5, 0.99))
    figures = [
        Figure(PART, "bare echo, p50", echo50, "ms", note=f"{len(told.echoes)} echoes of 100 bytes at QoS 1"),
        Figure(PART, "bare echo, p99", echo99, "ms"),
    ]
    for verb, first in (("stop", b"!"), ("light", b"M3"), ("move", b"G53")):
        late = _first_bytes(chunks, told.published.get(verb, []), first)
        if not late:
            continue
        p50, p99 = (1000.0 * quantile(late, share) for share in (0.5, 0.99))
        lost = len(told.published[verb]) - len(late)
        note = f"p50 {p50:.2f} ms, p99 {p99:.2f} ms of {len(late)}" + (f", {lost} not seen" if lost else "")
        name = f"{verb} to first byte, p99 over echo p99"
        figures.append(Figure(PART, name, p99 / echo99, "", most=MOST_ECHOES, note=note))
    if flooded := _first_bytes(chunks, told.published.get("stop in a flood", []), b"!"):
        p99 = 1000.0 * quantile(flooded, 0.99)
        note = f"of {len(flooded)}, an indicator filling its line with what nobody asked for"
        figures.append(Figure(PART, "stop to first byte in a flood, p99", p99, "ms", most=STOP_MS, note=note))
    return figures


def _first_bytes(chunks: Sequence[Chunk], published: Sequence[float], first: bytes) -> list[float]:
    """For each publishing the time until the first byte of `first` towards the board; what never came is left out."""
    if len(first) == 1:
        at = [c.t for c in chunks if c.port == "board" and c.direction == "in" and first in c.data]
    else:
        at = [line.t for line in lines(chunks) if line.text.startswith(first)]
    waits = []
    for t in published:
        after = next((when for when in at if when >= t), None)
        if after is not None and after - t < WITHIN_S:
            waits.append(after - t)
    return waits


async def _measure(lights: int, stops: int, moves: int) -> tuple[Told, list[Chunk]]:
    with tempfile.TemporaryDirectory(prefix="benchd-bench-") as scratch:
        journal = Path(scratch) / "journal.txt"
        async with Stack(folder=Path(scratch) / "stack", journal=journal) as stack:
            told = await _drive(stack, lights, stops, moves)
            await stack.end("daemon")
            await stack.end("sim")  # the journal is whole only now
        return told, read(journal)


async def _drive(stack: Stack, lights: int, stops: int, moves: int) -> Told:
    told = Told()
    rng = random.Random(1)
    endpoint = Endpoint(stack.ports["host"], stack.ports["port"], "5")
    async with stack.client("bench") as client, open_connection(endpoint, "bench-echo", queue=100) as wire:
        await make_ready(stack, client)
        await wire.subscribe("bench-echo/back", qos=1)
        for count in range(max(lights, stops)):
            await _pause(rng)
            await _echo(wire, told)
            if count < lights:
                await _pause(rng)
                _note(told, "light")
                await client.command("light", beat=False, level=0.5 + 0.001 * (count % 400))
            if count < stops:
                await _pause(rng)
                _note(told, "stop")
                await wire.publish(client.topics.command("bench", "stop"), b"", qos=1)
                await asyncio.sleep(0.1)  # until it has seen to it that everything stands
        stack.ask_world({"do": "fault", "who": "indicator", "what": "flood", "args": {}})
        for _ in range(stops // 2):
            await _pause(rng)
            _note(told, "stop in a flood")
            await wire.publish(client.topics.command("bench", "stop"), b"", qos=1)
            await asyncio.sleep(0.1)
        stack.ask_world({"do": "fault", "who": "indicator", "what": "clear", "args": {}})
        for count in range(moves):
            await _pause(rng)
            await _echo(wire, told)
            await _pause(rng)
            _note(told, "move")
            await client.do("move", by_um=40.0 if count % 2 else -40.0, within_s=20.0)
    return told


async def _pause(rng: random.Random) -> None:
    """At no fixed distance from what the daemon does by itself."""
    await asyncio.sleep(rng.uniform(0.01, 0.05))


def _note(told: Told, verb: str) -> None:
    told.published.setdefault(verb, []).append(time.monotonic())


async def _echo(wire: aiomqtt.Client, told: Told) -> None:
    began = time.monotonic()
    await wire.publish("bench-echo/back", b"." * 100, qos=1)
    async with asyncio.timeout(5.0):
        await anext(aiter(wire.messages))
    told.echoes.append(time.monotonic() - began)
