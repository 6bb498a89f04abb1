"""A bench as a whole on one event loop in virtual time: hardware, daemon, broker, clients, and the hand.

    run(Lab(folder, seed=4), work)

Firmware and world are those of `benchd-sim`, the daemon is the one of `benchd up`; only the cables are in memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
from collections.abc import AsyncIterator, Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any, cast

from ruamel.yaml import YAML

from benchd.client.bench_client import BenchClient
from benchd.daemon import Daemon
from benchd.testing.virtual_time import VirtualClock, VirtualTimeLoop
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.rig import Rig
from benchd_simulators.firmware.serve import act
from benchd_simulators.world import load_world
from stack import CONFIGS, StackFailed
from tests.virtual.ends.broker_end import MemoryBroker
from tests.virtual.ends.camera_end import MemoryCamera
from tests.virtual.ends.serial_end import MemoryPort
from tests.virtual.life import Life
from tests.virtual.same_each_time import run
from tests.virtual.witness import Witness

__all__ = ["Lab", "run"]


class VirtualRig(Rig):
    """The simulated hardware with cables in memory."""

    port = MemoryPort
    network_camera = MemoryCamera
    camera: MemoryCamera


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
        self.pace = 1.0
        """Of the hardware; the bench file has to go with it."""
        self._world = world
        self._change = change
        self.bench_file = folder / config / "bench.yaml"
        self._ports = folder / "run"
        self.broker_at = f"127.0.0.1:{1 + seed % 60000}"
        self.daemon: Daemon | None = None
        self.fell: list[str] = []
        """Why the daemon ended that nobody had ended."""
        self.watched: Witness | None = None
        self._serving: asyncio.Task[None] | None = None
        self._life: Life | None = None
        self._changing = asyncio.Lock()

    async def __aenter__(self) -> Lab:
        self.loop = cast(VirtualTimeLoop, asyncio.get_running_loop())
        for config in {"workshop", self.config}:
            shutil.copytree(CONFIGS / config, self.folder / config)
        self.machine = load_world(self._world, self.seed, self.pace, self.loop.time)
        self.journal = self.watched or Journal(self.folder / "journal.tsv", self.loop.time)
        self.rig = VirtualRig(
            self.machine, self._ports, pace=self.pace, identity="7A01", seed=self.seed, journal=self.journal
        )
        self.rig.camera.where = f"camera-{self.broker_at.rpartition(':')[2]}"
        self._board = asyncio.create_task(self.rig.board.run(), name="board")
        if self.watched is not None:
            for name, cable in self.rig.cables.items():
                cast(MemoryPort, cable.port).wrote = partial(self.watched.wrote, name)
        await self.rig.plug(0)
        self.broker = MemoryBroker(self.broker_at, seed=self.seed)
        if self.watched is not None:
            self.broker.seen = self.watched.seen
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
        """Start it and wait until it answers; nothing where it runs. Raises what it raises where it cannot."""
        async with self._changing:
            if self.daemon is not None:
                return
            up = asyncio.Event()
            self.daemon = Daemon(self.bench_file, clock=VirtualClock(), ready=lambda _: up.set())
            self._life = Life()
            self._serving = self._life.task(self.daemon.serve())
            waiting = asyncio.create_task(up.wait(), name="until it is up")
            await asyncio.wait((self._serving, waiting), return_when=asyncio.FIRST_COMPLETED)
            waiting.cancel()
            if not up.is_set():
                serving, self.daemon, self._serving = self._serving, None, None
                await serving
                return
            self._serving.add_done_callback(self._served)
            if self.watched is not None:
                self.watched.daemon(True)

    def _served(self, serving: asyncio.Task[None]) -> None:
        if serving is self._serving and not serving.cancelled() and serving.exception() is not None:
            self.fell.append(repr(serving.exception()))

    async def end_daemon(self) -> None:
        """End it in order; idempotent."""
        async with self._changing:
            if self.daemon is not None and self._serving is not None:
                daemon, serving, self.daemon, self._serving = self.daemon, self._serving, None, None
                if self.watched is not None:
                    self.watched.daemon(False)
                daemon.end()
                await asyncio.wait({serving})
                if not serving.cancelled() and serving.exception() is not None:
                    self.fell.append(f"as it ended: {serving.exception()!r}")

    async def kill_daemon(self) -> None:
        """As by SIGKILL: from this moment nothing of it reaches a cable, a broker or the record. Idempotent."""
        async with self._changing:
            if self.daemon is None or self._life is None:
                return
            self.daemon = self._serving = None
            if self.watched is not None:
                self.watched.daemon(False)
            for cable in self.rig.cables.values():
                cast(MemoryPort, cable.port).forsaken()
            self._life.end()
            for client in tuple(self.broker.clients):
                if client.of_the_daemon:
                    client.cut()
            await self._life.ended()

    def homed(self) -> bool | None:
        """Whether the daemon trusts the position, None while it is not up."""
        mqtt = None if self.daemon is None else self.daemon._mqtt
        return None if mqtt is None else mqtt._bench.trust.homed

    def reachable(self) -> bool:
        """Whether the daemon's own connections to the broker are sound, and it has the board's line open."""
        ours = [one for one in self.broker.clients if one.of_the_daemon]
        return len(ours) >= 2 and not any(one.stalled for one in ours) and self.rig.cables["board"].port.in_use

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
        if self.watched is not None and message["do"] not in ("look", "measure"):
            self.watched.handled()
        answer = self.machine.hand(dict(message))
        if not answer.get("ok"):
            raise StackFailed(f"the hand could not {message}: {answer.get('error')}")
        return answer

    async def fault(self, who: str, what: str, **args: Any) -> None:
        """Break something, as `benchd-sim fault` does."""
        answer = await act(self.machine, self.rig, {"do": "fault", "who": who, "what": what, "args": args})
        if not answer.get("ok"):
            raise StackFailed(f"{who} {what}: {answer.get('error')}")
