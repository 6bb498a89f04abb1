"""The composition root: builds everything from a bench file, starts it, and stops it in the right order.

Start: record, devices, bench, broker, connections, watches. Stop: motion first, then the job, lights and devices, then
`online` false, the broker, the record; each part has a time limit, so that one that hangs does not block the others.
After a restart nothing is homed and lights are at their safe level.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from collections.abc import Callable
from pathlib import Path

import structlog

from benchd import version
from benchd.bench.assembly import close_all, open_all
from benchd.bench.bench import Bench
from benchd.bench.interlock import EMERGENCY_STOP
from benchd.bench.kept_findings import republish_findings
from benchd.bench.notices import Notices
from benchd.bench.reconnect import Reconnector
from benchd.bench.reporter import Reporter
from benchd.commands.beat import Beat, publish_beat
from benchd.commands.control import Roles
from benchd.devices import Clock, DeviceError
from benchd.files.last_good import LAST_GOOD, keep_good, with_copies
from benchd.files.problems import FileProblems
from benchd.local.rearm_socket import RearmSocket
from benchd.parts import Parts, ending_of, within
from benchd.procedures.abandoned import close_abandoned
from benchd.procedures.guarding import Guarding
from benchd.procedures.read_bench import read_bench
from benchd.procedures.runner import Runner
from benchd.questions.answer import load
from benchd.records.store import Store
from benchd.remote.about import about
from benchd.remote.service import MqttService

_log = structlog.get_logger("benchd")

ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT)
"""Each of them is a request to end in order, also the closing of the terminal: a motor must not keep running then."""

REST_S, CLOSE_S = 0.6, 0.4
"""Time limits of coming to rest and of closing the devices; the whole ending has 2 s."""


class Daemon:
    """One bench served: `await Daemon(path).serve()`. `ready` is called once it answers on MQTT.

    `noted` is called, before any hardware is opened, with notes on what the files state but is probably a mistake.
    """

    def __init__(
        self,
        path: Path,
        *,
        clock: Clock | None = None,
        ports_file: Path | None = None,
        ready: Callable[[MqttService], None] = lambda _: None,
        noted: Callable[[str], None] = _log.warning,
    ) -> None:
        self.path = path
        self.clock = clock or Clock()
        self.notices = Notices()
        self.ports_file = ports_file
        self.ready = ready
        self.noted = noted
        self._ended = asyncio.Event()
        self._parts = Parts(self.end)
        self._mqtt: MqttService | None = None

    def end(self) -> None:
        """Ask the daemon to end in order."""
        self._ended.set()

    def _asked(self, number: signal.Signals, terminal: list[int]) -> None:
        if number is signal.SIGHUP:  # the terminal is gone: further output to it would fail
            nowhere = os.open(os.devnull, os.O_RDWR)
            for stream in terminal:
                os.dup2(nowhere, stream)
            os.close(nowhere)
        self.end()

    async def serve(self) -> None:
        """Serve until `end` or a signal of `ENDING`.

        Raises FileProblems, DeviceError, BenchdError if it cannot start, BenchdError (device_fault) if a part of it
        failed.
        """
        loop = asyncio.get_running_loop()
        handled = [number for number in ENDING if signal.getsignal(number) is not signal.SIG_IGN]  # as nohup has it
        terminal = [number for number in range(3) if os.isatty(number)]
        for number in handled:
            loop.add_signal_handler(number, self._asked, number, terminal)
        try:
            async with contextlib.AsyncExitStack() as stack:
                if await self._started(stack) and self._mqtt is not None:
                    self.ready(self._mqtt)
                    await self._ended.wait()
                _log.info("ending")
        finally:
            for number in handled:
                loop.remove_signal_handler(number)
        if self._parts.failure is not None:
            raise self._parts.failure

    async def _started(self, stack: contextlib.AsyncExitStack) -> bool:
        """Start; False if the daemon was asked to end before it was up. Whatever was started is on the stack."""
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
            whole = read_bench(self.path)
        except FileProblems as wrong:
            raise with_copies(wrong, copies) from None
        loaded, assembly, library = whole.loaded, whole.assembly, whole.library
        for note in whole.notes:
            self.noted(note)
        keep_good(loaded, copies)
        store = await Store.open(loaded.file.store.url, loaded.folder, self.clock)
        stack.push_async_callback(within, store.close, "the record")
        bench = Bench(loaded, assembly, store, self.notices, self.clock)
        bench.analysis.preload(load)
        self._push_close(stack, bench)
        await bench.setup.load()
        for run in store.abandoned:
            if note := await close_abandoned(bench, library, run):
                self.noted(note)
        # All files have been checked by now; hardware comes last.
        identities = await open_all(assembly)
        await republish_findings(store, self.notices, bench.setup.document)
        roles = Roles(loaded.file.mqtt.users)
        runner = Runner(bench, library, roles.need)
        beat = Beat(self.clock, lambda: bench.carriage.stopped_s)
        reconnector = Reconnector(bench, identities)
        reporter = Reporter(bench, lambda: publish_beat(beat, self.notices), reconnector.away)
        guarding = Guarding(bench, runner)
        if (latched := await guarding.restore()) is not None:
            self.noted(latched)
        await reporter.switches.first_look()
        # Before any client can find the bench: a broker that outlived the last start still has its `about` and beat.
        self.notices.put("about", about(bench, library, beat.epoch, version(), identities))
        publish_beat(beat, self.notices)
        mqtt = MqttService(bench, runner, roles, beat, self._parts, file=self.path, ports_file=self.ports_file)
        await mqtt.start(stack)
        # From here on the ending begins with the motion, and `online` goes false only when all is at rest and dark.
        self._push_close(stack, bench)
        stack.push_async_callback(within, guarding.close, "what a switch began")
        await stack.enter_async_context(self._parts.running(reconnector.run(), "links"))
        await stack.enter_async_context(self._parts.running(reporter.run(), "reporter"))
        await stack.enter_async_context(self._parts.running(bench.records.run(), "records"))
        if EMERGENCY_STOP in bench.assembly.roles:
            await stack.enter_async_context(RearmSocket(bench.file.bench, guarding.rearm))
        stack.push_async_callback(_come_to_rest, bench, runner)
        self._mqtt = mqtt

    @staticmethod
    def _push_close(stack: contextlib.AsyncExitStack, bench: Bench) -> None:
        """Close the bench before the devices, so that a closed device is not taken for a fault or a loss of trust."""
        stack.push_async_callback(_close_devices, bench)
        stack.push_async_callback(within, bench.close, "the bench")


async def _close_devices(bench: Bench) -> None:
    with ending_of("devices"):
        await close_all(bench.assembly, within_s=CLOSE_S)


async def _come_to_rest(bench: Bench, runner: Runner) -> None:
    """Stop all motion; at the same time abort the run, including its `finally` as far as the time allows."""

    async def stop() -> None:
        with contextlib.suppress(DeviceError):  # a device that cannot be reached cannot be stopped
            await bench.stop()

    # Concurrently, but the stop byte is written before the run is cancelled.
    stopping = asyncio.create_task(within(stop, "motion", REST_S), name="stop")
    await asyncio.sleep(0)
    await within(lambda: runner.close(REST_S / 2), "what runs", REST_S)
    await asyncio.wait({stopping})
