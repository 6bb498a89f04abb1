"""A simulated bench whose daemon may be ended, killed and started again, and what may be looked at from outside.

Faults are brought about at bytes and sockets: signals, the simulator's hand, other programs on the broker. Nothing of
the daemon is called.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))

from benchd.client import BenchClient
from benchd.client.watch import Watch
from benchd.errors import Refused
from benchd.testing.mqtt_rig import until
from benchd.testing.processes import gone, marked
from stack import BIN, Stack

PACE = 5.0
LENS, ADAPTERS, GLASS = "L-0417", ["ring-07"], ["pane-25"]
MARK, MARKED = "BENCHD_FAULT_TEST", f"BENCHD_FAULT_TEST={os.getpid()}"
OPEN: list[Lab] = []
"""Benches that live longer than one test."""


class Lab:
    """One simulated bench, its daemon, and somebody who looks at both."""

    def __init__(self, stack: Stack) -> None:
        self.stack = stack
        self.client: BenchClient

    # what a person does

    @contextlib.asynccontextmanager
    async def at(self, user: str = "bench-hand") -> AsyncIterator[BenchClient]:
        """A client that holds control."""
        async with self.stack.client(user) as self.client:
            await self.client.command("take", beat=False, force=True)
            yield self.client

    async def home(self) -> None:
        await self.client.do("home", axes=["carriage"], within_s=40)
        await self.carriage(homed=True, state="idle")

    async def at_nominal(self) -> None:
        """Homed, the shipped lens set up as it stands on the bench, light on, at nominal."""
        await self.home()
        await self.client.command(
            "setup", beat=False,
            set={"lens": LENS, "adapters": ADAPTERS, "glass": GLASS, "distance_mm": 5000, "ring": "infinity"},
        )  # fmt: skip
        await self.client.do("nominal", within_s=20)
        await self.client.command("light", beat=False, light="target_light", level=0.4)

    async def in_a_sweep(self, readings: int, repeats: int = 10) -> str:
        """A sweep of which so many readings were told; gives its run."""
        heard = self.client.watch("reading")
        run = str((await self.client.command("sweep", repeats=repeats))["run"])
        async with asyncio.timeout(120):
            async for _, reading in heard:
                if reading["run"] == run and reading["idx"] >= readings - 1:
                    break
        return run

    async def in_flange_check(self, *, repeats: int = 10) -> str:
        """A run of flange_check that waits at its first question."""
        inputs = {"lens": LENS, "adapters": ADAPTERS, "glass": GLASS, "distance_mm": 5000, "repeats": repeats}
        run = await self.client.run("flange_check", inputs)
        await self.state_of(run, "asking")
        return run

    async def say_yes(self) -> None:
        """To the question that is open."""
        await self.client.answer((await self.client.kept("procedure"))["ask"]["ask"], True)

    async def sweeping_in_flange_check(self, *, readings: int = 6, repeats: int = 10) -> str:
        """A run of flange_check in the middle of its sweep."""
        heard = self.client.watch("reading")
        run = await self.in_flange_check(repeats=repeats)
        await self.say_yes()
        async with asyncio.timeout(120):
            async for _, reading in heard:
                if reading["idx"] >= readings - 1:
                    break
        return run

    async def state_of(self, run: str, *states: str, within_s: float = 120.0) -> dict[str, Any]:
        """The run's state once it is one of `states`; an end that is none of them is told."""
        async with asyncio.timeout(within_s):
            async for _, said in self.client.watch("procedure"):
                if said is not None and said["run"] == run:
                    if said["state"] in states:
                        return dict(said)
                    assert said["state"] not in ("done", "failed", "aborted"), said
        raise AssertionError

    async def quiet(self) -> None:
        """Whatever runs is ended, whatever moves is stopped, and all links are back."""
        procedure = await self.client.kept("procedure")
        if procedure["state"] not in ("idle", "done", "failed", "aborted"):
            with contextlib.suppress(Refused):  # ending by itself
                await self.client.command("abort", beat=False, run=procedure["run"])
            await self.state_of(procedure["run"], "failed", "aborted", "done")
        await self.carriage(state="idle")
        events = self.client.events()
        await self.client.stop()
        async with asyncio.timeout(120):
            async for _, event in events:
                if event["code"] == "stopped" and event["data"].get("user") == self.client.user:
                    return

    async def carriage(self, within_s: float = 120.0, **wanted: Any) -> dict[str, Any]:
        """The carriage's kept state once it has these values."""
        async with asyncio.timeout(within_s):
            async for _, said in self.client.watch("device/carriage"):
                if all(said[key] == value for key, value in wanted.items()):
                    return dict(said)
        raise AssertionError

    # what the world does

    def fault(self, who: str, what: str, **args: Any) -> None:
        self.stack.ask_world({"do": "fault", "who": who, "what": what, "args": args})

    def place_um(self) -> float:
        """Where the carriage truly stands."""
        return float(self.stack.ask_world({"do": "truth"})["truth"]["now"]["carriage_um"])

    async def rests(self, within_s: float = 0.0) -> bool:
        """Whether the carriage comes to rest within this time; after a stop it rings by 3 um at most."""
        until = time.monotonic() + within_s
        before = self.place_um()
        while True:
            await asyncio.sleep(0.15)
            now = self.place_um()
            if abs(now - before) < 5.0:
                return True
            if time.monotonic() > until:
                return False
            before = now

    def mend(self) -> None:
        """Every fault of the hardware ends."""
        for who in ("board", "counter", "indicator"):
            self.fault(who, "plug")
            self.fault(who, "clear")
        self.fault("board", "shut_door")
        for what in ("stall", "switch_stuck", "switch_never", "encoder_frozen", "encoder_reversed"):
            self.fault("world", what, value=False)
        self.fault("world", "lose_steps", value=0)

    # what may be seen with no daemon about

    def board(self) -> dict[str, Any]:
        """The controller's own report, read as a terminal program would: state, power, place as the file has it."""
        with serial.Serial(str(self.stack.run_folder / "board"), 115200, timeout=0.3, exclusive=True) as line:
            for _ in range(10):
                line.write(b"?")
                found = re.search(rb"<(\w+)[:\d]*\|MPos:([-.\d]+).*?\|FS:[\d.]+,([\d.]+)", line.read(120))
                if found:
                    return {"state": found[1].decode(), "um": -1000 * (float(found[2]) + 1.0), "power": float(found[3])}
        raise AssertionError("the controller tells no report")

    @contextlib.contextmanager
    def record(self) -> Iterator[sqlite3.Connection]:
        """The record's file, opened by its own means and only to be read."""
        file = self.stack.bench_file.parent / "workshop.db"
        with contextlib.closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as connection:
            yield connection

    def row_of(self, run: str) -> tuple[str, str | None]:
        """State and end of a run in the record."""
        with self.record() as record:
            found = record.execute("SELECT state, ended FROM run WHERE id = ?", (int(run[2:]),)).fetchone()
        return found[0], found[1]

    def kept_readings(self, run: str) -> dict[tuple[int, str], float | None]:
        """Readings of a run in the record, by index and channel."""
        with self.record() as record:
            rows = record.execute("SELECT idx, channel, value FROM reading WHERE run = ?", (int(run[2:]),))
            return {(idx, channel): value for idx, channel, value in rows}

    # the daemon as a process

    @property
    def log(self) -> str:
        file = self.stack.folder / "daemon.log"
        return file.read_text(encoding="utf-8", errors="replace") if file.exists() else ""

    @property
    def pid(self) -> int:
        return self.stack.process("daemon").pid

    def children(self) -> dict[int, str]:
        """Processes of this bench beside the daemon and the simulator."""
        ours = {self.pid, self.stack.process("sim").pid}
        return {pid: command for pid, command in marked(str(self.stack.folder)).items() if pid not in ours}

    @property
    def broker(self) -> int:
        """The process of the embedded broker, whichever it is."""
        (pid,) = (pid for pid, command in self.children().items() if "benchd-broker-" in command)
        return pid

    def left(self, patience_s: float = 1.0) -> dict[int, str]:
        """What stays of the daemon and its children when the daemon has ended."""
        return gone(str(self.stack.folder), [self.stack.process("sim").pid], patience_s)

    @contextlib.asynccontextmanager
    async def spawned(self) -> AsyncIterator[asyncio.subprocess.Process]:
        """The daemon as a process, waited for only until its first words, before it loads or touches anything."""
        folder, said = self.stack.folder, len(self.log)
        with (folder / "daemon.log").open("ab") as log:
            process = await asyncio.create_subprocess_exec(
                str(BIN / "benchd"), "up", str(self.stack.bench_file),
                stdin=asyncio.subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True,
                env={**os.environ, "XDG_RUNTIME_DIR": str(folder / "xdg")},
            )  # fmt: skip
        try:
            await until(lambda: len(self.log) > said, 10.0)
            yield process
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()

    @contextlib.asynccontextmanager
    async def up(self) -> AsyncIterator[None]:
        """The daemon for as long as the block lasts, however it goes on or ends."""
        try:
            await self.stack.start_daemon()
            yield
        finally:
            with contextlib.suppress(KeyError):
                await self.stack.end("daemon")

    async def kill(self) -> None:
        """kill -9, as a power cut or the kernel's memory killer would end it."""
        assert await self.stack.end("daemon", signal.SIGKILL) == -signal.SIGKILL


async def told(readings: Watch, quiet_s: float = 0.2) -> dict[tuple[int, str], float | None]:
    """The readings that were told, by index and channel, until none has come for a while."""
    found = {}
    with contextlib.suppress(TimeoutError):
        while True:
            async with asyncio.timeout(quiet_s):
                _, reading = await anext(readings)
            found[reading["idx"], reading["channel"]] = reading["value"]
    return found


@contextlib.asynccontextmanager
async def lab(**options: Any) -> AsyncIterator[Lab]:
    """A bench with its hardware on; `daemon=False` leaves the daemon to the test, `files` are laid beside the rest."""
    daemon, files = options.pop("daemon", True), options.pop("files", {})
    folder = Path(tempfile.mkdtemp(prefix="benchd-faults-"))
    stack = Stack(**{"pace": PACE, **options}, folder=folder)
    found = Lab(stack)
    OPEN.append(found)
    try:
        await stack.start_hardware()
        for name, text in files.items():
            path = stack.bench_file.parent / name
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        if daemon:
            await stack.start_daemon()
        yield found
    finally:
        await stack.stop()
        OPEN.remove(found)
        left = gone(str(folder))
        shutil.rmtree(folder, ignore_errors=True)
        assert not left, f"left behind: {left}"


@pytest.fixture(autouse=True)
def no_process_left() -> Iterator[None]:
    """Fail the test that leaves a process behind; benches shared by a module are looked at when they are closed."""
    os.environ[MARK] = str(os.getpid())
    before = marked(MARKED)
    yield
    shared = {pid for bench in OPEN for pid in marked(str(bench.stack.folder))}
    left = gone(MARKED, {os.getpid(), *before, *shared})
    assert not left, f"left behind: {left}"
