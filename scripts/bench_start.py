"""How soon it is there and how little it weighs: help, a daemon's start, memory and time on a core at rest."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiomqtt

from bench_figure import Figure
from bench_process import children, core_s, resident_MB
from bench_ready import make_ready
from benchd.mqtt.connection import Endpoint, open_connection
from stack import BIN, Stack

PART = "start"
HELPS, STARTS, REST_S = 10, 5, 10.0
BASE = "benchd/north-rail"


@dataclass(frozen=True, slots=True)
class Weighed:
    """A daemon at rest: memory of its processes in 10^6 bytes, shares of one core."""

    idle_MB: float
    broker_MB: float
    after_MB: float
    worker_MB: float
    idle_share: float
    watched_share: float


def measure(*, helps: int = HELPS, starts: int = STARTS, rest_s: float = REST_S) -> list[Figure]:
    """Best times of several, as a start is never faster than it can be; memory and core time of one daemon."""
    empty = min(_run_s(sys.executable, "-c", "") for _ in range(helps))
    help_ = min(_run_s(str(BIN / "benchd"), "--help") for _ in range(helps))
    ready, spent, weighed = asyncio.run(_daemon(starts, rest_s))
    best = min(ready)
    times = f"all: {', '.join(f'{one:.2f}' for one in ready)} s"
    return [
        Figure(PART, "benchd --help", help_, "s", most=0.2,
               note=f"best of {helps}; {help_ / empty:.1f} x an empty Python ({empty:.3f} s)"),
        Figure(PART, "daemon ready", best, "s", most=1.5, note=f"{best / empty:.0f} x an empty Python; {times}"),
        Figure(PART, "of that on a core", min(spent), "s", note="the least of the same starts; the rest is waiting"),
        Figure(PART, "daemon resident, idle", weighed.idle_MB, "MB", most=120.0),
        Figure(PART, "daemon resident, after a sweep", weighed.after_MB, "MB", most=120.0),
        Figure(PART, "worker resident, after a sweep", weighed.worker_MB, "MB", note="ends when idle for two minutes"),
        Figure(PART, "broker resident", weighed.broker_MB, "MB"),
        Figure(PART, "daemon on a core, idle", 100 * weighed.idle_share, "%", most=10.0,
               note=f"over {rest_s:g} s, nobody subscribed"),
        Figure(PART, "daemon on a core, watched", 100 * weighed.watched_share, "%", most=10.0,
               note=f"over {rest_s:g} s, one client hears everything"),
    ]  # fmt: skip


def _run_s(*words: str) -> float:
    began = time.perf_counter()
    subprocess.run(words, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - began


def _free_ports(count: int) -> list[int]:
    holders = [socket.socket() for _ in range(count)]
    try:
        for holder in holders:
            holder.bind(("127.0.0.1", 0))
        return [holder.getsockname()[1] for holder in holders]
    finally:
        for holder in holders:
            holder.close()


async def _daemon(starts: int, rest_s: float) -> tuple[list[float], list[float], Weighed]:
    """Seconds until ready of each start, of those on a core, and what the last one weighs."""
    ports = _free_ports(2)

    def fixed(doc: Any) -> None:
        doc["mqtt"]["ports"] = ports  # known beforehand, so that `online` can be waited for from the first moment

    ready: list[float] = []
    spent: list[float] = []
    with tempfile.TemporaryDirectory(prefix="benchd-bench-") as scratch:
        stack = Stack(folder=Path(scratch), change=fixed)
        try:
            await stack.start_hardware()
            for _ in range(starts):
                began = time.monotonic()
                starting = asyncio.create_task(stack.start_daemon())
                await _online(ports[1], starting, stack)
                ready.append(time.monotonic() - began)
                await starting
                spent.append(core_s(stack.process("daemon").pid))
                if len(ready) < starts:
                    await stack.end("daemon")
            return ready, spent, await _weigh(stack, rest_s)
        finally:
            await stack.stop()


async def _online(port: int, starting: asyncio.Task[None], stack: Stack) -> None:
    """Return when the kept `online` says true. Tried again and again: the broker is a part of what starts.

    Where somebody else took the port meanwhile, the broker has another one and says so. Raises StackFailed.
    """
    async with asyncio.timeout(60.0):
        while True:
            if starting.done():
                starting.result()
                port = stack.ports["listeners"]["v5"]
            try:
                async with open_connection(Endpoint("127.0.0.1", port, "5"), "bench-start", queue=100) as wire:
                    await wire.subscribe(f"{BASE}/online")
                    async for message in wire.messages:
                        if message.payload == b"true":
                            return
            except aiomqtt.MqttError:
                await asyncio.sleep(0.005)


async def _weigh(stack: Stack, rest_s: float) -> Weighed:
    pid = stack.process("daemon").pid
    await asyncio.sleep(2.0)  # the start is over
    idle_share = await _share(pid, rest_s)
    idle_MB = resident_MB(pid)
    broker = next(child for child in children(pid))
    broker_MB = resident_MB(broker)
    endpoint = Endpoint(stack.ports["host"], stack.ports["port"], "5")
    async with open_connection(endpoint, "bench-watch", queue=10_000) as wire:
        await wire.subscribe(f"{BASE}/#")
        watched_share = await _share(pid, rest_s)
    async with stack.client("bench") as client:
        await make_ready(stack, client)
        await client.do("sweep", about="nominal", within_s=120.0)
    workers = [child for child, words in children(pid).items() if "multiprocessing" in words and "spawn" in words]
    return Weighed(
        idle_MB=idle_MB,
        broker_MB=broker_MB,
        after_MB=resident_MB(pid),
        worker_MB=max(resident_MB(worker) for worker in workers),
        idle_share=idle_share,
        watched_share=watched_share,
    )


async def _share(pid: int, seconds: float) -> float:
    """How much of one core a process takes."""
    began, spent = time.monotonic(), core_s(pid)
    await asyncio.sleep(seconds)
    return (core_s(pid) - spent) / (time.monotonic() - began)
