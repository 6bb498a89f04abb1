"""A bench as a whole on one event loop in virtual time: hardware, daemon, broker, clients, and the hand.

    run(Lab(folder, seed=4), work)

Firmware and world are those of `benchd-sim`, the daemon is the one of `benchd up`; only the cables are in memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import re
import secrets
import shutil
from collections import Counter
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator, Mapping
from concurrent.futures import Executor, Future
from contextvars import Context, ContextVar, copy_context
from functools import partial
from pathlib import Path
from typing import Any, TypeVar, TypeVarTuple, cast

from ruamel.yaml import YAML

from benchd.bench.analysis import Analysis
from benchd.client.bench_client import BenchClient
from benchd.daemon import Daemon
from benchd.records.store import Store
from benchd.records.writer import Writer
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
from tests.virtual.rules.flat import Held
from tests.virtual.witness import BENCH, Witness

T = TypeVar("T")
Args = TypeVarTuple("Args")


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


_LIFE: ContextVar[Life | None] = ContextVar("life", default=None)


class Life:
    """One process of the daemon, as far as one process can hold several: its tasks, and its hold on the record."""

    def __init__(self) -> None:
        self.over = False
        self.tasks: list[asyncio.Task[Any]] = []
        self.stores: list[Store] = []

    def task(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """The first of its tasks; those that it creates are known by their context."""
        context = copy_context()
        context.run(_LIFE.set, self)
        return asyncio.get_running_loop().create_task(work, name="daemon", context=context)

    def end(self) -> None:
        """No more is written into the record, and every task is broken off."""
        self.over = True
        for store in self.stores:
            store._writer.forsaken = True  # type: ignore[attr-defined]
        for task in self.tasks:
            task.cancel()

    async def ended(self) -> None:
        """Nothing of it is left. Raises AssertionError where a task goes on all the same."""
        left = {task for task in self.tasks if not task.done()}
        if left:
            _, left = await asyncio.wait(left, timeout=30.0)
        assert not left, f"these outlive a kill: {left}"
        for store in self.stores:
            store._writer.forsaken = False  # type: ignore[attr-defined]
            await store.close()


def _of_its_life(
    loop: asyncio.AbstractEventLoop, work: Any, *, context: Context | None = None, **more: Any
) -> asyncio.Task[Any]:
    task = asyncio.Task(work, loop=loop, context=context, **more)
    life = context.get(_LIFE) if context is not None else _LIFE.get()
    if life is not None:
        life.tasks = [one for one in life.tasks if not one.done()] if len(life.tasks) > 200 else life.tasks
        life.tasks.append(task)
        if life.over:
            task.cancel()
    return task


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
        self.machine = load_world(self._world, self.seed, 1.0, self.loop.time)
        self.journal = self.watched or Journal(self.folder / "journal.tsv", self.loop.time)
        self.rig = VirtualRig(
            self.machine, self._ports, pace=1.0, identity="7A01", seed=self.seed, journal=self.journal
        )
        self.rig.camera.where = f"camera-{self.seed}"
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
                if self.watched is not None:
                    self.watched.ended_in_order()
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

    def held(self) -> Held:
        """What this process holds just now."""
        timers: list[asyncio.TimerHandle] = self.loop._scheduled  # type: ignore[attr-defined]
        tasks = [] if self._life is None else [task for task in self._life.tasks if not task.done()]
        names = (re.sub(r"\d+", "", task.get_name()) for task in tasks)
        return Held(Counter(names), sum(not timer.cancelled() for timer in timers), len(os.listdir("/proc/self/fd")))

    def connections(self) -> tuple[str, ...]:
        """The daemon's own connections to the broker, each by a name of its own; none where one is lost or stalled."""
        ours = [one for one in self.broker.clients if one.of_the_daemon]
        return tuple(one.name for one in ours) if len(ours) >= 2 and not any(one.stalled for one in ours) else ()

    def reachable(self) -> bool:
        """Whether the daemon's own connections to the broker are sound, and it has the board's line open."""
        ours = [one for one in self.broker.clients if one.of_the_daemon]
        return len(ours) >= 2 and not any(one.stalled for one in ours) and self.rig.cables["board"].port.in_use

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


@contextlib.contextmanager
def same_each_time(seed: int) -> Iterator[None]:
    """What is drawn for ids comes of a seed, and the analysis is done in this process."""
    chance = random.Random(seed)
    kept = {name: getattr(secrets, name) for name in ("choice", "token_bytes", "token_hex")}
    start_pool, submit, opened = Analysis._start_pool, Writer.submit, Store.__init__

    def unless_forsaken(writer: Writer, work: Callable[..., T], /, *args: Any, **more: Any) -> Future[T]:
        if getattr(writer, "forsaken", False):
            raise RuntimeError("this process was killed")
        return submit(writer, work, *args, **more)

    def of_a_life(store: Store, *args: Any, **more: Any) -> None:
        opened(store, *args, **more)
        if (life := _LIFE.get()) is not None:
            life.stores.append(store)

    def at_once(analysis: Analysis) -> Executor:
        analysis._pool = AtOnce()  # type: ignore[assignment]
        return analysis._pool  # type: ignore[return-value]

    try:
        secrets.choice = chance.choice
        secrets.token_bytes = lambda nbytes=None: chance.randbytes(nbytes or 32)
        secrets.token_hex = lambda nbytes=None: chance.randbytes(nbytes or 32).hex()
        Analysis._start_pool = at_once  # type: ignore[method-assign,assignment]
        Writer.submit = unless_forsaken  # type: ignore[method-assign]
        Store.__init__ = of_a_life  # type: ignore[method-assign,assignment]
        yield
    finally:
        for name, own in kept.items():
            setattr(secrets, name, own)
        Analysis._start_pool = start_pool  # type: ignore[method-assign]
        Writer.submit = submit  # type: ignore[method-assign]
        Store.__init__ = opened  # type: ignore[method-assign]


def run(work: Coroutine[Any, Any, T], seed: int) -> T:
    """Run a coroutine in virtual time, the same each time."""
    with installed(), same_each_time(seed), asyncio.Runner(loop_factory=_loop) as runner:
        return runner.run(work)


class _Loop(VirtualTimeLoop):
    """Signals are for whoever plays the history, and not for the daemon in it."""

    def add_signal_handler(self, sig: int, callback: Callable[[*Args], object], *args: *Args) -> None:
        """Nothing."""

    def remove_signal_handler(self, sig: int) -> bool:
        return False


def _loop() -> VirtualTimeLoop:
    loop = _Loop(in_order=True)
    loop.set_task_factory(_of_its_life)
    return loop
