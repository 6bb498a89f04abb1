"""The composition root: builds everything from a bench file, starts it, and stops it in the right order.

Start: record, devices, bench, broker, connections, watches. Stop: motion first, then what runs, light and devices,
then `online` false, the broker, the record; each part has its time, so that one that hangs keeps no other from ending.
A restart begins inert: nothing homed, lights at their safe level.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import structlog

from benchd.bench.assembly import build, close_all, open_all
from benchd.bench.assessor import Assessor
from benchd.bench.bench import Bench
from benchd.bench.notices import Notices
from benchd.bench.reconnect import Reconnector
from benchd.bench.reporter import Reporter
from benchd.devices import Clock, DeviceError
from benchd.errors import BenchdError
from benchd.files.last_good import keep_good, with_copies
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems
from benchd.files.run_folder import run_folder
from benchd.procedures.library import Library
from benchd.procedures.runner import Runner
from benchd.records.store import Store
from benchd.remote.about import about
from benchd.remote.beat import Beat
from benchd.remote.broker import EmbeddedBroker
from benchd.remote.broker_config import Ports
from benchd.remote.connection import Connection
from benchd.remote.control import Control, Roles
from benchd.remote.events import EventTeller
from benchd.remote.handlers import BenchHandlers
from benchd.remote.ids import SeenIds
from benchd.remote.intake import Intake, control_handlers
from benchd.remote.outage import Outages
from benchd.remote.payloads import StopArgs
from benchd.remote.retained import Clearing
from benchd.remote.stop_road import StopRoad
from benchd.remote.topics import Topics
from benchd.remote.watchdog import Watchdog
from benchd.remote.whereabouts import Whereabouts
from benchd.remote.wire import Endpoint

_log = structlog.get_logger("benchd")

LAST_GOOD = ".last-good"
"""The folder beside the bench file that keeps what it said when it was last good."""

REST_S, CLOSE_S, PART_S = 0.6, 0.4, 0.3
"""How long coming to rest, closing the devices, and any other part may take before the next is begun; all have 2 s."""
CONNECT_WITHIN_S = 15.0


def version() -> str:
    """The installed version."""
    from importlib.metadata import version as installed

    return installed("benchd")


class Daemon:
    """One bench served: `await Daemon(path).serve()`.

    `ready` is called once the bench answers on MQTT; `told` then holds what a person should hear of the broker.
    """

    def __init__(
        self,
        path: Path,
        *,
        clock: Clock | None = None,
        ports_file: Path | None = None,
        ready: Callable[[Daemon], None] = lambda _: None,
    ) -> None:
        self.path = path
        self.clock = clock or Clock()
        self.notices = Notices()
        self.ports_file = ports_file
        self.ready = ready
        self.told: list[str] = []
        self.bench = ""
        self.endpoint: Endpoint | None = None
        self.listeners: dict[str, int] = {}
        self._ended = asyncio.Event()
        self._failure: BenchdError | None = None
        self._whereabouts: Whereabouts | None = None

    def end(self) -> None:
        """Ask the daemon to end in order."""
        self._ended.set()

    async def serve(self) -> None:
        """Serve until `end`, SIGINT or SIGTERM. Raises FileProblems, DeviceError, BenchdError where it cannot start,
        BenchdError (device_fault) where a part of it failed."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self.end)
        try:
            async with contextlib.AsyncExitStack() as stack:
                if await self._started(stack):
                    self.ready(self)
                    await self._ended.wait()
                _log.info("ending")
        finally:
            for number in (signal.SIGINT, signal.SIGTERM):
                loop.remove_signal_handler(number)
        if self._failure is not None:
            raise self._failure

    async def _started(self, stack: contextlib.AsyncExitStack) -> bool:
        """Start; False where the daemon was asked to end before it was up. What was begun is then on the stack."""
        starting = asyncio.create_task(self._start(stack), name="start")
        asked = asyncio.create_task(self._ended.wait(), name="asked to end")
        try:
            await asyncio.wait({starting, asked}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (starting, asked):
                task.cancel()
            await asyncio.wait({starting, asked})
        if starting.cancelled():
            return False
        starting.result()
        return not self._ended.is_set()

    async def _start(self, stack: contextlib.AsyncExitStack) -> None:
        copies = self.path.parent / LAST_GOOD
        try:
            loaded = load_bench(self.path)
            assembly = build(loaded)
        except FileProblems as wrong:
            raise with_copies(wrong, copies) from None
        keep_good(loaded, copies)
        self.bench = loaded.file.bench
        store = await Store.open(loaded.file.store.url, loaded.folder, self.clock)
        stack.push_async_callback(_within, store.close, "the record")
        bench = Bench(loaded, assembly, store, self.notices, self.clock)
        self._push_close(stack, bench)
        await bench.setup.load()
        for run in store.abandoned:
            bench.events.tell("abandoned", f"Run {run.run} was under way when the daemon last ended; it is closed.")
        assessor = Assessor(bench, version())
        library = Library.load((loaded.folder / "procedures",), assessments=assessor.names)
        # Every file is known to be good by now; hardware comes last.
        identities = await open_all(assembly)
        runner = Runner(bench, assessor, library)
        beat = Beat(self.clock)
        reconnector = Reconnector(bench, identities)
        reporter = Reporter(bench, self._beater(beat), reconnector.away)
        await self._serve_mqtt(stack, bench, runner, beat)
        self.notices.put("about", about(bench, library, beat.epoch, version(), identities))
        # From here on the end begins with the motion, and `online` goes false only when all is at rest and dark.
        self._push_close(stack, bench)
        await stack.enter_async_context(self._task(reconnector.run(), "links"))
        await stack.enter_async_context(self._task(reporter.run(), "reporter"))
        stack.push_async_callback(_come_to_rest, bench, runner)

    @staticmethod
    def _push_close(stack: contextlib.AsyncExitStack, bench: Bench) -> None:
        """The bench first: once it is closed nobody misses a device, or takes its silence for a loss of trust."""
        stack.push_async_callback(close_all, bench.assembly, within_s=CLOSE_S)
        stack.push_async_callback(_within, bench.close, "the bench")

    def _beater(self, beat: Beat) -> Callable[[], None]:
        def due() -> None:
            new = beat.feed()
            if new is not None:
                self.notices.put("beat", {"beat": new})

        return due

    async def _serve_mqtt(self, stack: contextlib.AsyncExitStack, bench: Bench, runner: Runner, beat: Beat) -> None:
        endpoint = await self._broker(stack, bench)
        topics = Topics(bench.file.bench)
        events = EventTeller(bench.events, self.clock)
        roles = Roles()
        control = Control(self.clock, roles, self.notices, run_of=lambda: runner.user)
        intake = Intake(
            {**BenchHandlers(bench, runner).by_verb(), **control_handlers(control)},
            topics=topics,
            control=control,
            roles=roles,
            beat=beat,
            ids=SeenIds(self.clock),
            events=events,
        )
        clearing, outages = Clearing(topics), Outages(self.clock)

        async def on_stop(user: str, args: StopArgs) -> dict[str, Any]:
            await runner.stop(user)
            return {}

        common: dict[str, Any] = {
            "topics": topics, "events": events, "clearing": clearing, "outages": outages, "clock": self.clock,
        }  # fmt: skip
        road = StopRoad(endpoint, on_stop, **common)
        connection = Connection(endpoint, intake=intake, notices=self.notices, **common)
        await stack.enter_async_context(self._task(connection.run(), "mqtt"))
        await stack.enter_async_context(self._task(road.run(), "mqtt-stop"))
        await stack.enter_async_context(self._task(_every_second(control.tell, self.clock), "control"))
        try:
            async with asyncio.timeout(CONNECT_WITHIN_S):
                await asyncio.gather(connection.ready.wait(), road.ready.wait())
        except TimeoutError:
            raise BenchdError(
                "timeout",
                f"No MQTT broker answered at {endpoint()} within {CONNECT_WITHIN_S:g} s.",
                advice="Start it, or write `broker: embedded` under `mqtt` in the bench file.",
            ) from None
        self.endpoint = endpoint()
        files = [run_folder() / f"{self.bench}.json", *([self.ports_file] if self.ports_file else [])]
        self._whereabouts = stack.enter_context(Whereabouts(files))
        self._tell_where()

    async def _broker(self, stack: contextlib.AsyncExitStack, bench: Bench) -> Callable[[], Endpoint]:
        url = bench.file.mqtt.broker
        if url != "embedded":
            parts = urlsplit(url)
            external = Endpoint(parts.hostname or "127.0.0.1", parts.port or 1883, "5")
            return lambda: external
        mqtt = bench.file.mqtt
        broker = await stack.enter_async_context(EmbeddedBroker(self.clock, child=mqtt.child, ports=Ports(*mqtt.ports)))
        self.told = broker.told
        self.listeners = broker.ports.by_name()

        def restarted(reason: str) -> None:
            bench.events.tell("broker", f"The broker was restarted: {reason}.", severity="warning")
            self.listeners = broker.ports.by_name()
            if self.endpoint is not None:
                self.endpoint = broker.endpoint  # a port that somebody took meanwhile was replaced
                self._tell_where()

        await stack.enter_async_context(self._task(Watchdog(broker, self.clock, restarted).run(), "watchdog"))
        return lambda: broker.endpoint

    def _tell_where(self) -> None:
        if self._whereabouts is not None and self.endpoint is not None:
            self._whereabouts.tell(self.bench, self.path, self.endpoint, self.listeners)

    @contextlib.asynccontextmanager
    async def _task(self, work: Coroutine[Any, Any, None], name: str) -> AsyncIterator[None]:
        """A task for as long as the block lasts. One that fails ends the daemon."""
        task = asyncio.create_task(work, name=name)
        ending = False

        def failed(done: asyncio.Task[Any]) -> None:
            if done.cancelled() or done.exception() is None or ending:
                return
            _log.error("a part of the daemon failed", part=name, error=repr(done.exception()))
            if self._failure is None:
                self._failure = BenchdError("device_fault", f"A part of the daemon failed: {name}.")
                self._failure.__cause__ = done.exception()
            self.end()

        task.add_done_callback(failed)
        try:
            yield
        finally:
            ending = True
            task.cancel()
            _, late = await asyncio.wait([task], timeout=PART_S)
            if late:
                _log.warning("this part did not end in time", part=name, within_s=PART_S)


async def _within(work: Callable[[], Awaitable[None]], what: str, within_s: float = PART_S) -> None:
    """One part of the end: failed or too slow, it is logged, and the others go on."""
    task = asyncio.ensure_future(work())
    _, late = await asyncio.wait({task}, timeout=within_s)
    if late:
        _log.warning("this part did not end in time", part=what, within_s=within_s)
        task.cancel()
    elif not task.cancelled() and task.exception() is not None:
        _log.warning("this part did not end in order", part=what, error=repr(task.exception()))


async def _come_to_rest(bench: Bench, runner: Runner) -> None:
    """Motion first, whatever else runs; then what runs, its `finally` included, as far as the time allows."""

    async def stop() -> None:
        with contextlib.suppress(DeviceError):  # what cannot be reached cannot be stopped from here
            await bench.stop()

    # Both at once: the stop byte is written before the run under way is so much as cancelled.
    stopping = asyncio.create_task(_within(stop, "motion", REST_S), name="stop")
    await asyncio.sleep(0)
    await _within(lambda: runner.close(REST_S / 2), "what runs", REST_S)
    await asyncio.wait({stopping})


async def _every_second(work: Callable[[], None], clock: Clock) -> None:
    while True:
        work()
        await clock.sleep(1.0)
