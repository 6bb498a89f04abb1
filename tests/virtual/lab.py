"""A bench as a whole on one event loop in virtual time: hardware, daemon, broker, clients, and the hand.

    run(Lab(folder, seed=4), work)

Firmware and world are those of `benchd-sim`, the daemon is the one of `benchd up`; only the cables are in memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import secrets
import shutil
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator, Mapping
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any, TypeVar

from ruamel.yaml import YAML

from benchd.bench.analysis import Analysis
from benchd.client.bench_client import BenchClient
from benchd.daemon import Daemon
from benchd.testing.virtual_time import VirtualClock, VirtualTimeLoop
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.rig import Rig
from benchd_simulators.firmware.serve import act
from benchd_simulators.world import load_world
from stack import CONFIGS, StackFailed
from tests.virtual.ends import installed
from tests.virtual.ends.broker_end import MemoryBroker
from tests.virtual.ends.camera_end import MemoryCamera
from tests.virtual.ends.serial_end import MemoryPort

T = TypeVar("T")


class VirtualRig(Rig):
    """The simulated hardware with cables in memory."""

    port = MemoryPort
    network_camera = MemoryCamera
    camera: MemoryCamera


class AtOnce(Executor):
    """Work is done as it is handed over."""

    def submit(self, work: Callable[..., T], /, *args: Any, **more: Any) -> Future[T]:
        done: Future[T] = Future()
        try:
            done.set_result(work(*args, **more))
        except Exception as error:  # noqa: BLE001 - passed to the caller
            done.set_exception(error)
        return done


class Lab:
    """`async with Lab(folder, seed=3) as lab:` on a `VirtualTimeLoop`; `bench_file` is what the daemon runs."""

    def __init__(
        self,
        folder: Path,
        *,
        world: str = "workshop",
        config: str = "workshop",
        seed: int = 1,
        change: Callable[[Any], None] = lambda _: None,
    ) -> None:
        self.folder, self.config, self.seed = folder, config, seed
        self._world = world
        self._change = change
        self.bench_file = folder / config / "bench.yaml"
        self._ports = folder / "run"
        self.broker_at = f"127.0.0.1:{1 + seed % 60000}"
        self.daemon: Daemon | None = None
        self._serving: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Lab:
        installed()
        for config in {"workshop", self.config}:
            shutil.copytree(CONFIGS / config, self.folder / config)
        self.machine = load_world(self._world, self.seed, 1.0, asyncio.get_running_loop().time)
        self.journal = Journal(self.folder / "journal.tsv", asyncio.get_running_loop().time)
        self.rig = VirtualRig(
            self.machine, self._ports, pace=1.0, identity="7A01", seed=self.seed, journal=self.journal
        )
        self.rig.camera.where = f"camera-{self.seed}"
        self._board = asyncio.create_task(self.rig.board.run(), name="board")
        await self.rig.plug(0)
        self.broker = MemoryBroker(self.broker_at, seed=self.seed)
        self.broker.start()
        self._write_bench_file()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.end_daemon()
        await self.rig.unplug()
        self._board.cancel()
        await asyncio.wait({self._board})
        self.broker.stop()
        self.journal.close()

    def _write_bench_file(self) -> None:
        yaml = YAML()
        doc = yaml.load(self.bench_file.read_text(encoding="utf-8"))
        for link in doc["links"].values():
            link["kind"] = "memory"
            link["port"] = str(self._ports / Path(link["port"]).name)
        for device in doc["devices"].values():
            if device["driver"] == "http_camera":
                device["driver"] = "memory_camera"
                for key in ("url", "settings_url"):
                    device[key] = device[key].replace("127.0.0.1:8780", self.rig.camera.where)
        doc["mqtt"] = {"broker": f"memory://{self.broker_at}"}
        self._change(doc)
        with self.bench_file.open("w", encoding="utf-8") as out:
            yaml.dump(doc, out)

    # ---- the daemon

    async def start_daemon(self) -> None:
        """Start it and wait until it answers. Raises what it raises where it cannot."""
        up = asyncio.Event()
        self.daemon = Daemon(self.bench_file, clock=VirtualClock(), ready=lambda _: up.set())
        self._serving = asyncio.create_task(self.daemon.serve(), name="daemon")
        waiting = asyncio.create_task(up.wait(), name="until it is up")
        await asyncio.wait((self._serving, waiting), return_when=asyncio.FIRST_COMPLETED)
        waiting.cancel()
        if not up.is_set():
            await self._serving

    async def end_daemon(self) -> None:
        """End it in order; idempotent."""
        if self.daemon is not None and self._serving is not None:
            self.daemon.end()
            await self._serving
            self.daemon = self._serving = None

    @contextlib.asynccontextmanager
    async def client(self, user: str) -> AsyncIterator[BenchClient]:
        """A client of this bench."""
        async with BenchClient(f"memory://{self.broker_at}", bench="north-rail", user=user) as client:
            yield client

    # ---- the hand, which the daemon never sees

    def hand(self, do: str, what: str, value: Any = None) -> dict[str, Any]:
        """Do something at the bench as a person does. Raises StackFailed with the world's answer if it cannot be."""
        key = "id" if do in ("fit", "remove") else "value"
        return self.ask_world({"do": do, "what": what, **({} if value is None else {key: value})})

    def ask_world(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """What the hand does or looks at."""
        answer = self.machine.hand(dict(message))
        if not answer.get("ok"):
            raise StackFailed(f"the hand could not {message}: {answer.get('error')}")
        return answer

    async def fault(self, who: str, what: str, **args: Any) -> None:
        """Break something, as `benchd-sim fault` does."""
        answer = await act(self.machine, self.rig, {"do": "fault", "who": who, "what": what, "args": args})
        if not answer.get("ok"):
            raise StackFailed(f"{who} {what}: {answer.get('error')}")


@contextlib.contextmanager
def same_each_time(seed: int) -> Iterator[None]:
    """What is drawn for ids comes of a seed, and the analysis is done in this process."""
    chance = random.Random(seed)
    kept = {name: getattr(secrets, name) for name in ("choice", "token_bytes", "token_hex")}
    start_pool = Analysis._start_pool

    def at_once(analysis: Analysis) -> Executor:
        analysis._pool = AtOnce()  # type: ignore[assignment]
        return analysis._pool  # type: ignore[return-value]

    try:
        secrets.choice = chance.choice
        secrets.token_bytes = lambda nbytes=None: chance.randbytes(nbytes or 32)
        secrets.token_hex = lambda nbytes=None: chance.randbytes(nbytes or 32).hex()
        Analysis._start_pool = at_once  # type: ignore[method-assign,assignment]
        yield
    finally:
        for name, own in kept.items():
            setattr(secrets, name, own)
        Analysis._start_pool = start_pool  # type: ignore[method-assign]


def run(work: Coroutine[Any, Any, T], seed: int) -> T:
    """Run a coroutine in virtual time, the same each time."""
    with same_each_time(seed), asyncio.Runner(loop_factory=lambda: VirtualTimeLoop(in_order=True)) as runner:
        return runner.run(work)
