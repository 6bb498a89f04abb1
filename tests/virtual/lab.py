"""A bench as a whole on one event loop in virtual time: hardware, daemon, broker, clients, and the hand.

    run(Lab(folder, seed=4), work)

Firmware and world are those of `benchd-sim`, the daemon is the one of `benchd up`; only the cables are in memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import shutil
from collections import Counter
from collections.abc import AsyncIterator, Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any, cast

from ruamel.yaml import YAML

from benchd.client.bench_client import BenchClient
from benchd.daemon import Daemon
from benchd.local.rearm_socket import REARM, socket_path
from benchd.testing.virtual_time import VirtualClock, VirtualTimeLoop
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.serve import act
from benchd_simulators.world import load_world
from stack import CONFIGS, StackFailed
from tests.virtual.disk import Disk
from tests.virtual.ends.broker_end import MemoryBroker
from tests.virtual.ends.serial_end import MemoryPort
from tests.virtual.life import LIFE, ItsTime, Life, buried
from tests.virtual.procedures_of_its_own import PROCEDURES
from tests.virtual.rigs import CurvesRig, DmxVirtualRig, VirtualRig, with_diode
from tests.virtual.rules.flat import Holdings
from tests.virtual.same_each_time import run
from tests.virtual.witness import BENCH, Witness
from tests.virtual.worker import Worker

__all__ = ["Lab", "run"]

REARMED_S = 10.0
"""A daemon that was killed here leaves its socket open."""


class Lab:
    """`async with Lab(folder, seed=3) as lab:` on a `VirtualTimeLoop`; `bench_file` is what the daemon runs.

    With `curves` it reads sharpness from a photodiode instead of pictures.
    """

    def __init__(
        self,
        folder: Path,
        *,
        world: str = "workshop",
        config: str = "workshop",
        seed: int = 1,
        curves: bool = False,
        change: Callable[[Any], None] = lambda _: None,
    ) -> None:
        self.folder, self.config, self.seed = folder, config, seed
        self.pace = 1.0
        """Of the hardware; the bench file has to go with it."""
        self.stream_hz = 20.0
        """Pictures a second of the camera's stream: fewer are to be rendered than on a bench in a hurry."""
        self._world = world
        self._curves, self._change = curves, change
        self.bench_file = folder / config / "bench.yaml"
        self._ports = folder / "run"
        self.broker_at = f"127.0.0.1:{1 + seed % 60000}"
        self.switched = False
        """Whether the bench file has an emergency stop and a door for hands."""
        self.rearmed = 0
        """How often somebody was told that the emergency stop is re-armed."""
        self.daemon: Daemon | None = None
        self.fell: list[str] = []
        """Why the daemon ended that nobody had ended."""
        self.watched: Witness | None = None
        self._serving: asyncio.Task[None] | None = None
        self.moment: Callable[[str], None] = lambda _: None
        """Told what the daemon's process comes to; see `moments`."""
        self._life: Life | None = None
        self.down = False
        """Whether somebody has ended or killed it, and means to start it again himself."""
        self._dead: list[Life] = []

    async def __aenter__(self) -> Lab:
        self.loop = cast(VirtualTimeLoop, asyncio.get_running_loop())
        for config in {"workshop", self.config}:
            shutil.copytree(CONFIGS / config, self.folder / config)
        self.machine = load_world(self._world, self.seed, self.pace, self.loop.time)
        self.journal = self.watched or Journal(self.folder / "journal.tsv", self.loop.time)
        rig = CurvesRig if self._curves else DmxVirtualRig if self.config == "workshop-dmx" else VirtualRig
        self.rig = rig(self.machine, self._ports, pace=self.pace, identity="7A01", seed=self.seed, journal=self.journal)
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
        self.its_time = ItsTime(self.loop)
        self.disk = Disk(self.bench_file.parent / "workshop.db", self.seed)
        self.disk.began = lambda: self.moment("committing")
        self.worker = Worker(self.seed)
        self.worker.began = lambda: self.moment("analysing")
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.end_daemon()
        await self.rig.unplug()
        self._board.cancel()
        await asyncio.wait({self._board})
        self.broker.stop()
        self.journal.close()
        await buried(self._dead)

    def _write_bench_file(self) -> None:
        procedures = self.bench_file.parent / "procedures"
        procedures.mkdir(exist_ok=True)
        for name, text in PROCEDURES.items():
            (procedures / f"{name}.yaml").write_text(text, encoding="utf-8")
        yaml = YAML()
        doc = yaml.load(self.bench_file.read_text(encoding="utf-8"))
        if self._curves:
            with_diode(doc)
        for link in doc["links"].values():
            link["kind"] = "memory_dmx" if link["kind"] == "dmx" else "memory"
            link["port"] = str(self._ports / Path(link["port"]).name)
        for device in doc["devices"].values():
            if device["driver"] == "http_camera":
                device["driver"] = "memory_camera"
                for key in ("url", "settings_url", "stream_url") & device.keys():
                    device[key] = device[key].replace("127.0.0.1:8780", self.rig.camera.where)
                if "stream_url" in device:
                    device["stream_url"] = device["stream_url"].replace("=60", f"={self.stream_hz:g}")
        doc["mqtt"] = {"broker": f"memory://{self.broker_at}"}
        self._change(doc)
        self.switched = "emergency_stop" in doc["roles"]
        with self.bench_file.open("w", encoding="utf-8") as out:
            yaml.dump(doc, out)

    # ---- the daemon

    async def start_daemon(self) -> None:
        """Start it and wait until it answers, or is killed; nothing where there is one.

        Raises what it raises where it cannot start.
        """
        if self._life is not None:
            return
        up = asyncio.Event()
        self.daemon = Daemon(self.bench_file, clock=VirtualClock(), ready=lambda _: up.set())
        self._life = life = Life(self.disk, self.worker)
        self.moment("starting")
        self._serving = serving = life.task(self.daemon.serve())
        waiting = asyncio.create_task(up.wait(), name="until it is up")
        await asyncio.wait((serving, waiting, life.gone), return_when=asyncio.FIRST_COMPLETED)
        waiting.cancel()
        if life.over:
            return
        if serving.done():
            self._gone(life)
            await serving
        elif self.daemon is not None:
            serving.add_done_callback(self._served)
            if self.watched is not None:
                self.watched.daemon(True)

    def _served(self, serving: asyncio.Task[None]) -> None:
        if serving is self._serving and not serving.cancelled() and serving.exception() is not None:
            self.fell.append(repr(serving.exception()))

    async def end_daemon(self) -> None:
        """End it in order, and wait until it has ended or is killed; idempotent."""
        daemon, life, serving = self.daemon, self._life, self._serving
        if life is None or serving is None:
            return
        if daemon is not None:
            self.daemon = self._serving = None
            if self.watched is not None:
                self.watched.daemon(False)
            daemon.end()
            self.moment("ending")
        await asyncio.wait((serving, life.gone), return_when=asyncio.FIRST_COMPLETED)
        if life.over:
            return
        if self.watched is not None:
            self.watched.ended_in_order()
        if not serving.cancelled() and serving.exception() is not None:
            self.fell.append(f"as it ended: {serving.exception()!r}")
        self._gone(life)

    async def kill_daemon(self) -> None:
        """As by SIGKILL, whatever it is about: from this moment nothing of it is done any more. Idempotent."""
        if self._life is not None:
            if self.daemon is not None and self.watched is not None:
                self.watched.daemon(False)
            self._gone(self._life)

    def _gone(self, life: Life) -> None:
        """There is no process any more: what it had open is closed by the kernel."""
        self.daemon = self._serving = self._life = None
        self._dead.append(life)
        life.end()
        self.its_time.goes_on()
        for cable in self.rig.cables.values():
            cast(MemoryPort, cable.port).forsaken()
        self.rig.camera.forsaken()
        for client in tuple(self.broker.clients):
            if client.of_the_daemon:
                client.forsaken()

    def hold_up(self, for_s: float) -> None:
        """The daemon gets no processor for so long; nothing where it is held up already, or there is none."""
        if self._life is not None and not self.its_time.stands:
            self._life.hold_up(for_s)
            self.its_time.stop(for_s)

    def own(self) -> dict[str, dict[str, Any]]:
        """What the daemon itself knows, by the topics and keys that tell it; nothing while it is not up."""
        if self.daemon is None or (mqtt := self.daemon._mqtt) is None:
            return {}
        bench, runner = mqtt._bench, mqtt._runner
        setup = bench.setup.document.model_dump(mode="json")
        told = {"rev", "lens", "adapters", "glass", "ring", "distance_mm", "temperature_C", "trim_um", "stale"}
        return {
            "device/carriage": {"homed": bench.trust.homed, "why": bench.trust.why},
            "setup": {key: value for key, value in setup.items() if key in told},
            "procedure": {"state": runner._published_state(), "ask": runner.prompts.open},
        }

    def notices(self) -> Mapping[str, Mapping[str, Any]]:
        """What the daemon means to have retained, by topic below the bench; nothing while it is not up."""
        return {} if self.daemon is None else self.daemon.notices.snapshot()

    def kept(self) -> dict[str, bytes]:
        """What the broker keeps, by topic below the bench."""
        return {
            topic.removeprefix(BENCH): message.payload
            for topic, message in self.broker.kept.items()
            if topic.startswith(BENCH)
        }

    def held(self) -> Holdings:
        """What the daemon's process holds just now."""
        scheduled: list[asyncio.TimerHandle] = self.loop._scheduled  # type: ignore[attr-defined]
        timers = [timer for timer in scheduled if timer._context.get(LIFE) is self._life]  # type: ignore[attr-defined]
        tasks = [] if self._life is None else [task for task in self._life.tasks if not task.done()]
        names = (re.sub(r"\d+", "", task.get_name()) for task in tasks)
        return Holdings(
            Counter(names), sum(not timer.cancelled() for timer in timers), len(os.listdir("/proc/self/fd"))
        )

    def connections(self) -> tuple[str, ...]:
        """The daemon's own connections to the broker, each by a name of its own; none where one is lost
        or stalled, or the daemon is held up."""
        if self.its_time.stands:
            return ()
        names = []
        for one in self.broker.clients:
            if one.of_the_daemon:
                if one.stalled:
                    return ()
                names.append(one.name)
        return tuple(names) if len(names) >= 2 else ()

    def unhindered(self) -> tuple[str, ...]:
        """The same; none as well while its disk is slow, which answers and ends may have to wait for."""
        return () if self.disk.behind else self.connections()

    def reachable(self) -> bool:
        """Whether the daemon's own connections are sound, it has the board's line open, and is not held up."""
        return bool(self.connections()) and self.rig.cables["board"].port.in_use

    @contextlib.asynccontextmanager
    async def client(self, user: str) -> AsyncIterator[BenchClient]:
        """A client of this bench."""
        async with BenchClient(f"memory://{self.broker_at}", bench="north-rail", user=user) as client:
            yield client

    def scale_um(self) -> float | None:
        """What the scale reads, without its noise; None before its mark, and where a fault has it read otherwise."""
        off_um = self.scale_off_um()
        return None if off_um is None else self.machine.encoder.scale_um(self.machine.carriage_um) + off_um

    def scale_off_um(self) -> float | None:
        """What faults have added to the scale; None as for `scale_um`."""
        encoder = self.machine.encoder
        if not encoder.reference_seen or encoder._frozen is not None or encoder._turn_um is not None:
            return None
        return encoder.jump_um - encoder._zero_um

    async def rearm(self) -> dict[str, Any]:
        """As `benchd rearm` does. Raises StackFailed with what is answered where it is refused, or nobody answers."""
        try:
            async with asyncio.timeout(REARMED_S):
                reader, writer = await asyncio.open_unix_connection(socket_path("north-rail"))
                try:
                    writer.write(REARM)
                    answer = json.loads(await reader.readline() or "null")
                finally:
                    writer.close()
        except (OSError, TimeoutError) as gone:
            raise StackFailed(f"nobody listens: {gone!r}") from None
        if answer is None or not answer["ok"]:
            raise StackFailed(f"not re-armed: {answer}")
        self.rearmed += 1
        return dict(answer["result"])

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
