"""From the publishing of a stop to its first byte on the port while a sweep is taken, somebody looks on by the camera,
and a thousand messages a second come to the broker; beside it a bare echo of the same run.

What looks on and what sends the messages are processes of their own: they hold up nothing that measures.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import count
from pathlib import Path

from bench_figure import Figure, quantile
from bench_journal import Chunk, read
from bench_latency import STOP_MS, Told, _echo, _first_bytes, _note
from bench_ready import BareCamera, make_ready
from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from benchd.mqtt.connection import Endpoint, open_connection
from stack import Stack

PART = "crowd"
STOPS = 200
MESSAGES_S = 1000
NONSENSE = 20
"""One in so many is a command, which has to be refused."""
STOPPED = "stop in a sweep"


def measure(*, stops: int = STOPS) -> list[Figure]:
    """p99 and the greatest, and the greatest of the echoes."""
    return figures_of(*asyncio.run(_measure(stops)))


def figures_of(told: Told, chunks: Sequence[Chunk]) -> list[Figure]:
    """The figures of what was published and of what then went over the cables."""
    published = told.published[STOPPED]
    waits = _first_bytes(chunks, published, b"!")
    p50, p99, most = (1000.0 * quantile(waits, share) for share in (0.5, 0.99, 1.0))
    echo = 1000.0 * max(told.echoes)
    note = f"p50 {p50:.1f} ms, greatest {most:.1f} ms of {len(waits)}, {len(published) - len(waits)} not seen; "
    note += f"the greatest of {len(told.echoes)} echoes took {echo:.1f} ms"
    return [Figure(PART, "stop in a sweep to first byte, in a crowd, p99", p99, "ms", most=STOP_MS, note=note)]


async def _measure(stops: int) -> tuple[Told, list[Chunk]]:
    with tempfile.TemporaryDirectory(prefix="benchd-bench-") as scratch:
        journal = Path(scratch) / "journal.txt"
        async with Stack(folder=Path(scratch) / "stack", journal=journal) as stack:
            told = await _drive(stack, stops)
            await stack.end("daemon")
            await stack.end("sim")  # the journal is whole only now
        return told, read(journal)


async def _drive(stack: Stack, stops: int) -> Told:
    told, rng = Told(), random.Random(1)
    endpoint = Endpoint(stack.ports["host"], stack.ports["port"], "5")
    async with stack.client("bench") as client, open_connection(endpoint, "bench-echo", queue=100) as wire:
        await make_ready(stack, client)
        await wire.subscribe("bench-echo/back", qos=1)
        run = await _sweeping(client)
        with crowd(stack):
            while len(told.published.get(STOPPED, [])) < stops:
                async for state in client.follow(run):
                    if state["state"] in ("running", "done", "failed"):
                        break
                if state["state"] != "running":
                    run = await _sweeping(client)
                    continue
                await asyncio.sleep(rng.uniform(0.2, 0.7))  # anywhere in moves, settling, exposures
                await _echo(wire, told)
                _note(told, STOPPED)
                await wire.publish(client.topics.command("bench", "stop"), b"", qos=1)
                async for state in client.follow(run):
                    if state["state"] in ("paused", "done", "failed"):
                        break
                if state["state"] == "paused":
                    await _resumed(client, run)
        await client.stop()
    return told


async def _sweeping(client: BenchClient) -> str:
    """A sweep is under way; homed before, where a simulated board was late on a busy machine, which costs it."""
    for _ in range(10):
        try:
            await client.do("home", only_if_unhomed=True)
            await client.do("nominal")
            return str((await client.command("sweep", merit="edge", repeats=20))["run"])
        except BenchdError:
            await asyncio.sleep(1.0)
    raise AssertionError("no sweep began")


async def _resumed(client: BenchClient, run: str) -> None:
    """As a person does: a beat from before the stop is refused, and then it is asked again."""
    for _ in range(10):
        try:
            await client.command("resume", run=run)
            return
        except BenchdError as refused:
            if refused.code != "stale":  # it has ended meanwhile, or the place is lost
                return
            await asyncio.sleep(0.2)
    raise AssertionError("no beat was fresh for two seconds")


@contextmanager
def crowd(stack: Stack) -> Iterator[None]:
    """Everybody beside the one who works, as long as the block lasts."""
    camera = str(json.loads((stack.run_folder / "ports.json").read_text(encoding="utf-8"))["camera"])
    here = [sys.executable, __file__]
    broker = ["--broker", stack.ports["host"], str(stack.ports["port"]), "--bench", stack.ports["bench"]]
    with subprocess.Popen([*here, *broker]) as talking, subprocess.Popen([*here, "--camera", camera]) as looking:
        try:
            yield
        finally:
            talking.kill()
            looking.kill()


def _talk(host: str, port: int, bench: str) -> None:
    """Messages that are nobody's, and among them commands that there are not."""
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    client = mqtt.Client(CallbackAPIVersion.VERSION2, "crowd")
    client.connect(host, port)
    client.loop_start()
    began = time.monotonic()
    for number in count():
        time.sleep(max(0.0, began + number / MESSAGES_S - time.monotonic()))
        topic = f"benchd/{bench}/command/crowd/levitate" if number % NONSENSE == 0 else "elsewhere/weather"
        client.publish(topic, f'{{"id":"c{number}","args":{{}}}}')


def _look_on(url: str) -> None:
    camera = BareCamera(url)
    path = "/" + url.split("/", 3)[3]
    while True:
        camera.fetch_s(path)


def main() -> None:
    """One of the crowd, until it is killed."""
    say = argparse.ArgumentParser(description=__doc__)
    say.add_argument("--broker", nargs=2, metavar=("HOST", "PORT"))
    say.add_argument("--bench", default="")
    say.add_argument("--camera", default="")
    args = say.parse_args()
    if args.camera:
        _look_on(args.camera)
    _talk(args.broker[0], int(args.broker[1]), args.bench)


if __name__ == "__main__":
    main()
