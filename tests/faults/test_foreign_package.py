"""Drivers of other people in a daemon of its own process: what does not fit, does not begin, or floods a real line.

What else they may do wrong is tested in virtual time.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import threading
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from benchd.cli import exits
from benchd.client.bench_client import BenchClient
from benchd.testing.peer import PtyPeer
from stack import BIN
from tests.faults.foreign_bench import ForeignBench

pytestmark = [pytest.mark.stack, pytest.mark.xdist_group("faults-foreign")]


class Foreign(ForeignBench):
    """The same with a daemon of its own process."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        (folder / "xdg").mkdir(mode=0o700)
        self.env = {**os.environ, "PYTHONPATH": str(self.site), "XDG_RUNTIME_DIR": str(folder / "xdg")}

    @property
    def log(self) -> str:
        return (self.folder / "log").read_text(encoding="utf-8", errors="replace")

    async def spawn(self, *words: str) -> asyncio.subprocess.Process:
        with (self.folder / "log").open("wb") as log:
            return await asyncio.create_subprocess_exec(
                str(BIN / "benchd"), *words, stdin=asyncio.subprocess.DEVNULL, stdout=log, stderr=log, env=self.env
            )

    async def ends(self, *words: str) -> int:
        """The exit code of a command that ends by itself."""
        process = await self.spawn(*words)
        try:
            return await asyncio.wait_for(process.wait(), 60)
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()

    @contextlib.asynccontextmanager
    async def up(self) -> AsyncIterator[BenchClient]:
        """The daemon, and a client that holds control; it must be alive at the end, and end in order."""
        told = self.folder / "told.json"
        process = await self.spawn("up", str(self.folder / "bench.yaml"), "--ports-file", str(told))
        try:
            async with asyncio.timeout(60):
                while not told.exists():
                    assert process.returncode is None, self.log
                    await asyncio.sleep(0.05)
            ports = json.loads(told.read_text())
            async with BenchClient(ports["host"], ports["port"], bench=ports["bench"], user="hand") as self.client:
                await self.client.command("take", beat=False)
                yield self.client
            assert process.returncode is None, self.log
        finally:
            with contextlib.suppress(ProcessLookupError):
                process.terminate()
            code = await asyncio.wait_for(process.wait(), 30)
        assert code == exits.DONE, self.log


@pytest.fixture
def foreign(tmp_path: Path) -> Foreign:
    return Foreign(tmp_path)


async def test_a_flooding_device_is_told_with_that_reason_and_a_stop_goes_through(foreign: Foreign) -> None:
    """A gauge said complete lines at 1 MB/s: no beat, and a stop that came late or never."""
    flooding = threading.Event()

    def answer(peer: PtyPeer, data: bytes) -> None:
        peer.send(b"R=1.0\n" * (4000 if flooding.is_set() else data.count(b"?")))

    with PtyPeer(answer) as peer:
        foreign.bench(
            more='  dial: {driver: line, link: dial_line, ask: "R?", pattern: "^R=([0-9.]+)$", quantity: gauge, '
            "range_um: [-600, 600], hysteresis_um: 0.3, u_gain: 0.001, grows: deeper}\n"
            f'links: {{dial_line: {{kind: serial, port: "{peer.path}"}}}}'
        )
        async with foreign.up() as client:
            await foreign.state("dial", "ok")
            flooding.set()

            def go_on() -> None:
                while flooding.is_set():
                    peer.send(b"R=1.0\n" * 1000)

            flood = threading.Thread(target=go_on)
            flood.start()
            try:
                await foreign.beats(1)
                await client.stop()
                said = await foreign.state("dial", "offline")
                assert "it sends without a pause" in said["text"], said
                await foreign.beats(2)
            finally:
                flooding.clear()
                await asyncio.to_thread(flood.join)
            await foreign.state("dial", "ok")


@pytest.mark.parametrize(
    ("mood", "code", "why"),
    [
        ({"good.create": "raises"}, exits.REFUSED, "good: its driver 'foreign_meter' failed in create: KeyError"),
        ({"good.open": "raises"}, exits.FAULT, "good: its driver 'foreign_meter' failed in open: OSError"),
        (
            {"good.open": "hangs"},
            exits.FAULT,
            "good: its driver 'foreign_meter' did not come back from open within 1 s",
        ),
        ({"good.open": "swallows"}, exits.FAULT, "did not come back from open within 1 s"),
        ({"good.open": "nonsense"}, exits.FAULT, "answered open with 'nonsense', which is no Identity"),
    ],
)
async def test_a_driver_that_does_not_begin_is_named_and_the_others_are_closed(
    foreign: Foreign, mood: dict[str, str], code: int, why: str
) -> None:
    """A user was told of a fault inside benchd; the lamp that was open by then stayed lit."""
    foreign.moods(mood)
    assert await foreign.ends("up", str(foreign.folder / "bench.yaml")) == code
    assert why in foreign.log
    assert "fault inside benchd" not in foreign.log
    assert foreign.did.count("lamp.open") == min(foreign.did.count("lamp.close"), 1)


@pytest.mark.parametrize(
    ("driver", "why"),
    [
        ("foreign_broken", r"\(package foreign-drivers 2.5\) cannot be loaded: ModuleNotFoundError: .*not_installed"),
        ("foreign_future", r"was written for version 2 of the driver interface; this benchd has 1"),
        ("foreign_strange", r"is no device: foreign_drivers:Strange is not a class of that kind"),
    ],
)
async def test_a_package_that_does_not_fit_is_refused_at_its_line(foreign: Foreign, driver: str, why: str) -> None:
    """Nothing looked at DRIVER_API, and a failed import was 'a fault inside benchd'."""
    foreign.bench(more=f'  odd: {{driver: {driver}, folder: "{foreign.folder}"}}')
    for verb in ("check", "up"):
        assert await foreign.ends(verb, str(foreign.folder / "bench.yaml")) == exits.REFUSED
        assert re.search(rf"bench.yaml:8:\d+ devices.odd.driver = .*{driver}.*{why}", foreign.log), foreign.log
