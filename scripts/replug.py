"""Cables pulled and plugged in again: how soon each device is back, that nothing resumes by itself, and what leaks.

A daemon of its own process on pseudo-terminals; every other cycle the carriage is on its way as the cable is pulled.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import sys
import time
from dataclasses import dataclass, field
from typing import Any

import psutil
from rich.console import Console
from rich.progress import track

from bench_figure import quantile
from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from stack import Stack

CYCLES = 300
BACK_S = 3.0
"""From plugged in to told as back (the project's own figure)."""
CABLES = ("board", "counter", "indicator")
DEVICE_OF = {"board": "carriage", "counter": "position", "indicator": "indicator"}
GROWN_MB = 10.0
FAR_UM, NEAR_UM = 25_000.0, 5_000.0


@dataclass
class Cycled:
    """What was seen: how long each took to be back (s), and what the daemon held before and after."""

    back_s: list[float] = field(default_factory=list)
    resumed: int = 0
    """How often the carriage moved by itself after it was back, or was homed."""
    handles: tuple[int, int] = (0, 0)
    threads: tuple[int, int] = (0, 0)
    resident_mb: tuple[float, float] = (0.0, 0.0)

    @property
    def failures(self) -> list[str]:
        """What is not as it has to be, in sentences."""
        found = []
        if (late := sum(took > BACK_S for took in self.back_s)) > 0:
            found.append(f"{late} of {len(self.back_s)} were not back within {BACK_S:g} s.")
        if self.resumed:
            found.append(f"{self.resumed} times the carriage moved, or was homed, by itself.")
        if self.handles[1] > self.handles[0] or self.threads[1] > self.threads[0]:
            found.append(f"Handles went from {self.handles[0]} to {self.handles[1]}, threads from {self.threads[0]} to "
                         f"{self.threads[1]}.")  # fmt: skip
        if self.resident_mb[1] - self.resident_mb[0] > GROWN_MB:
            found.append(f"It grew by {self.resident_mb[1] - self.resident_mb[0]:.1f} MB.")
        return found


def main() -> int:
    """0 where all are back in time and nothing leaks, 1 where not, 2 for a wrong call."""
    say = argparse.ArgumentParser(prog="scripts/replug", description=__doc__)
    say.add_argument("--cycles", type=int, default=CYCLES)
    say.add_argument("--seed", type=int, default=1)
    args = say.parse_args()
    console = Console(highlight=False)
    seen = asyncio.run(cycled(args.cycles, args.seed, console))
    p50, most = quantile(seen.back_s, 0.5), max(seen.back_s)
    console.print(f"{len(seen.back_s)} cycles: back after {p50:.2f} s (half of them), {most:.2f} s (the last of all).")
    console.print(f"Handles {seen.handles[0]} to {seen.handles[1]}, threads {seen.threads[0]} to {seen.threads[1]}, "
                  f"resident {seen.resident_mb[0]:.0f} to {seen.resident_mb[1]:.0f} MB.")  # fmt: skip
    for failure in seen.failures:
        console.print(failure, style="red")
    return 1 if seen.failures else 0


async def cycled(cycles: int, seed: int, console: Console) -> Cycled:
    """So many cycles, after two that are not counted."""
    seen, chance = Cycled(), random.Random(seed)
    async with Stack(seed=seed) as stack, stack.client("replug") as client:
        await client.command("take", beat=False)
        for cable in CABLES[:2]:  # on the way, as a move has the worker begin that analyses pictures
            await _cycle(stack, client, cable, chance, moving=True)
        process = psutil.Process(stack.process("daemon").pid)
        before = _held(process)
        for number in track(range(cycles), "cycles", console=console):
            moving = number % 2 == 1
            took_s, stood = await _cycle(
                stack, client, chance.choice(CABLES[: 2 if moving else 3]), chance, moving=moving
            )
            seen.back_s.append(took_s)
            seen.resumed += not stood
        await asyncio.sleep(2.0)
        after = _held(process)
    seen.handles, seen.threads, seen.resident_mb = zip(before, after, strict=True)  # type: ignore[assignment]
    return seen


async def _cycle(
    stack: Stack, client: BenchClient, cable: str, chance: random.Random, *, moving: bool
) -> tuple[float, bool]:
    """One cable out and in again: how long it took to be back (s), and whether the carriage stood still after that."""
    if moving:
        await client.do("home", only_if_unhomed=True)
        place_um = (await client.kept("device/carriage"))["carriage_um"]
        await client.command("move", carriage_um=NEAR_UM if place_um > 0.5 * (NEAR_UM + FAR_UM) else FAR_UM)
        await asyncio.sleep(chance.uniform(0.1, 0.8))
    device = f"device/{DEVICE_OF[cable]}"
    _fault(stack, cable, "unplug")
    await _until(client, device, lambda state: state["state"] == "offline")
    await asyncio.sleep(chance.uniform(0.0, 1.5))
    plugged = time.monotonic()
    _fault(stack, cable, "plug")
    await _until(client, device, lambda state: state["state"] != "offline")
    took_s = time.monotonic() - plugged
    await _until(client, "device/carriage", lambda state: state["state"] == "idle")
    state = await client.kept("device/carriage")
    before_um = await _place_um(stack)
    await asyncio.sleep(0.3)
    stood = abs(await _place_um(stack) - before_um) < 1.0
    return took_s, stood and not (moving and state["homed"])


async def _until(client: BenchClient, topic: str, holds: Any) -> None:
    try:
        async with asyncio.timeout(60.0):
            async for _, state in client.watch(topic):
                if state is not None and holds(state):
                    return
    except TimeoutError:
        raise BenchdError("timeout", f"{topic} was not as wanted within a minute.") from None


async def _place_um(stack: Stack) -> float:
    return float((await asyncio.to_thread(stack.ask_world, {"do": "truth"}))["truth"]["now"]["carriage_um"])


def _fault(stack: Stack, who: str, what: str) -> None:
    stack.ask_world({"do": "fault", "who": who, "what": what, "args": {}})


def _held(process: psutil.Process) -> tuple[int, int, float]:
    return process.num_fds(), process.num_threads(), process.memory_info().rss / 2**20


if __name__ == "__main__":
    sys.exit(main())
