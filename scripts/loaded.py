"""A bench at work at real pace on a machine that is loaded several times over: is its place ever doubted for nothing?

The simulated hardware stands for boards that no load of the daemon's machine slows down: it goes first by its priority
where the user may say so (root), else what it answers late counts against the daemon as well, and that is said.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psutil
from rich.console import Console
from rich.progress import Progress

from bench_ready import make_ready
from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from stack import Stack

MINUTES, TIMES = 60.0, 4
HARDWARE_NICE = -10
NEAR_UM, FAR_UM = 5_000.0, 25_000.0
BURN = "while True: pass"


@dataclass
class Worked:
    """What was done, and what was doubted or refused, with when (s since the begin)."""

    moves: int = 0
    sweeps: int = 0
    lost: list[tuple[float, str]] = field(default_factory=list)
    errors: list[tuple[float, str]] = field(default_factory=list)

    @property
    def failures(self) -> list[str]:
        """What must not be, in sentences: nothing was wrong with the bench."""
        told = [f"{at_s:7.1f} s: {why}" for at_s, why in sorted(self.lost + self.errors)]
        return told if self.moves and self.sweeps else [*told, "No move or no sweep was taken: nothing was shown."]


def main() -> int:
    """0 where trust held, 1 where not, 2 for a wrong call."""
    say = argparse.ArgumentParser(prog="scripts/loaded", description=__doc__)
    say.add_argument("--minutes", type=float, default=MINUTES)
    say.add_argument("--times", type=int, default=TIMES, help="busy processes for each processor")
    say.add_argument("--seed", type=int, default=1)
    args = say.parse_args()
    console = Console(highlight=False)
    worked = asyncio.run(at_work(args.minutes, args.times, args.seed, console))
    console.print(
        f"{args.minutes:g} min, loaded {args.times} times over: {worked.moves} moves, {worked.sweeps} sweeps; "
        f"trust lost {len(worked.lost)} times, {len(worked.errors)} errors."
    )
    for failure in worked.failures:
        console.print(failure, style="red")
    return 1 if worked.failures else 0


async def at_work(minutes: float, times: int, seed: int, console: Console) -> Worked:
    """Moves and sweeps for so long, after the bench was made ready."""
    worked, chance = Worked(), random.Random(seed)
    async with Stack(seed=seed) as stack, stack.client("loaded") as client:
        await make_ready(stack, client)
        if not _goes_first(stack.process("sim").pid):
            console.print("The simulated hardware is as loaded as the daemon: only root may let it go first.")
        began_s = time.monotonic()
        with busy(times * len(os.sched_getaffinity(0))), Progress(console=console) as progress:
            bar = progress.add_task("at work", total=60.0 * minutes)
            watching = asyncio.create_task(_watch(client, worked, began_s))
            while (spent_s := time.monotonic() - began_s) < 60.0 * minutes:
                progress.update(bar, completed=spent_s)
                if watching.done():
                    watching.result()
                    raise AssertionError("Nobody watches trust any more.")
                try:
                    await _work(client, chance, worked)
                except BenchdError as error:
                    worked.errors.append((time.monotonic() - began_s, str(error)))
            watching.cancel()
        await client.stop()
    return worked


async def _work(client: BenchClient, chance: random.Random, worked: Worked) -> None:
    """A sweep, and moves to anywhere beside it; homed before, where trust was lost."""
    await client.do("home", only_if_unhomed=True)
    for _ in range(chance.randint(1, 4)):
        await client.do("move", carriage_um=chance.uniform(NEAR_UM, FAR_UM))
        worked.moves += 1
    await client.do("nominal")
    run = str((await client.command("sweep", merit="edge", repeats=2))["run"])
    async for state in client.follow(run):
        if state["state"] == "done":
            break
        if state["state"] in ("failed", "aborted", "paused"):
            raise BenchdError("device_fault", f"the sweep is {state['state']}: {state.get('text') or state}")
    worked.sweeps += 1


async def _watch(client: BenchClient, worked: Worked, began_s: float) -> None:
    """Each loss of trust, and its reason."""
    homed = True
    async for _, state in client.watch("device/carriage"):
        if state is None:
            continue
        if homed and not state["homed"]:
            worked.lost.append((time.monotonic() - began_s, str(state["why"])))
        homed = state["homed"]


def _goes_first(pid: int) -> bool:
    try:
        psutil.Process(pid).nice(HARDWARE_NICE)
        if (group := Path(f"/proc/{pid}/autogroup")).exists():  # where sessions are scheduled as one, it is theirs
            group.write_text(str(HARDWARE_NICE), encoding="ascii")
    except (psutil.AccessDenied, OSError):
        return False
    return True


@contextmanager
def busy(count: int) -> Iterator[None]:
    """So many processes that reckon all the time, as long as the block lasts; each of a session of its own, as the
    daemon is: systems that share out by sessions would take all together for one."""
    burning = [subprocess.Popen([sys.executable, "-c", BURN], start_new_session=True) for _ in range(count)]
    try:
        yield
    finally:
        for one in burning:
            one.kill()
            one.wait()


if __name__ == "__main__":
    sys.exit(main())
