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
import sys
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))

from benchd.client.watch import Watch
from benchd.testing.mqtt_rig import until
from benchd.testing.processes import gone, marked
from stack import BIN, Stack
from tests.at_work import AtWork

PACE = 5.0
MARK, MARKED = "BENCHD_FAULT_TEST", f"BENCHD_FAULT_TEST={os.getpid()}"
OPEN: list[Lab] = []
"""Benches that live longer than one test."""


class Lab(AtWork[Stack]):
    """The bench of processes, and what may be seen of it with no daemon about."""

    def board(self) -> dict[str, Any]:
        """The controller's own report, read as a terminal program would: state, power, place as the file has it."""
        with serial.Serial(str(self.stack.run_folder / "board"), 115200, timeout=0.3, exclusive=True) as line:
            for _ in range(10):
                line.write(b"?")
                found = re.search(rb"<(\w+)[:\d]*\|MPos:([-.\d]+).*?\|FS:[\d.]+,([\d.]+)", line.read(120))
                if found:
                    return {"state": found[1].decode(), "um": -1000 * (float(found[2]) + 1.0), "power": float(found[3])}
        raise AssertionError("the controller tells no report")

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
