"""A real broker with the real intake on it, told of in a run folder as a daemon would; and the record of a run."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchd.broker.config import Ports
from benchd.broker.embedded import EmbeddedBroker
from benchd.devices.clock import Clock
from benchd.testing.leaks import no_leaks
from benchd.testing.mqtt_rig import MqttRig

__all__ = ["no_leaks"]


@dataclass(frozen=True)
class Told:
    """What a command printed, and its exit code."""

    code: int
    out: str
    err: str

    @property
    def doc(self) -> Any:
        """The one JSON document on stdout."""
        return json.loads(self.out)


Benchd = Callable[..., Awaitable[Told]]


@pytest.fixture
def run_folder(tmp_path: Path) -> Path:
    """Where daemons of this test say how they are reached."""
    folder = tmp_path / "xdg" / "benchd"
    folder.mkdir(parents=True)
    return folder


def running(run_folder: Path, bench: str, **changes: Any) -> None:
    """Write what the daemon of a bench would."""
    doc = {"bench": bench, "pid": os.getpid(), "file": "/nowhere/bench.yaml", "host": "127.0.0.1", "port": 1, **changes}
    (run_folder / f"{bench}.json").write_text(json.dumps(doc), encoding="utf-8")


async def benchd(run_folder: Path, *words: str, stdin: bytes | None = None) -> Told:
    """The command line as a process of its own."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "benchd.cli.main", *words,
        stdin=asyncio.subprocess.DEVNULL if stdin is None else asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "XDG_RUNTIME_DIR": str(run_folder.parent)},
    )  # fmt: skip
    out, err = await process.communicate(stdin)
    assert process.returncode is not None
    return Told(process.returncode, out.decode(), err.decode())


@pytest.fixture
async def rig(no_leaks: None, run_folder: Path) -> AsyncIterator[MqttRig]:
    """The remote room of a bench called north-rail, on line and found in the run folder."""
    async with EmbeddedBroker(Clock(), ports=Ports(0, 0)) as broker, MqttRig(lambda: broker.endpoint) as built:
        running(run_folder, "north-rail", host=broker.endpoint.host, port=broker.endpoint.port)
        yield built


@pytest.fixture
def cli(run_folder: Path) -> Benchd:
    """Runs the command line with this test's run folder."""

    async def call(*words: str, stdin: bytes | None = None) -> Told:
        return await benchd(run_folder, *words, stdin=stdin)

    return call
