"""A simulated bench as a whole, in a folder of its own: the hardware, the daemon, and the hand at the bench.

Used by the demo, the benchmarks and the tests. The daemon is given nothing of the world: a bench file that names
ports, and the records that a person would have written.
"""

from __future__ import annotations

import asyncio
import ctypes
import json
import os
import shutil
import signal
import socket
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import urlsplit

from ruamel.yaml import YAML

from benchd.client.bench_client import BenchClient

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
BIN = Path(sys.executable).parent

Say = Callable[[str], None]


def _end_with_parent() -> None:
    """In the child: asked to end when the process that started it has gone, however that went."""
    pr_set_pdeathsig = 1
    ctypes.CDLL(None).prctl(pr_set_pdeathsig, signal.SIGTERM)


ANSWER_S = 60.0
"""Only what hangs takes as long, on a machine that has other things to do."""


class StackFailed(RuntimeError):
    """The simulator or the daemon did not come up; the message holds what it said."""


class Stack:
    """`async with Stack(seed=3) as stack:`; `folder` holds the bench file, the record, the ports and the logs.

    `change` edits the bench file, `child` forces one broker, `record` is a database of this bench to begin with,
    `hardware` are options of `benchd-sim up`.
    """

    def __init__(
        self,
        *,
        world: str = "workshop",
        config: str = "workshop",
        seed: int = 1,
        pace: float = 1.0,
        folder: Path | None = None,
        change: Callable[[Any], None] | None = None,
        child: str = "auto",
        journal: Path | None = None,
        record: Path | None = None,
        hardware: Sequence[str] = (),
    ) -> None:
        self.world, self.config, self.seed, self.pace = world, config, seed, pace
        self._kept = folder is not None
        self.folder = folder or Path(tempfile.mkdtemp(prefix="benchd-"))
        self._change = change
        self._child = child
        self._record = record
        self._journal = journal
        self._hardware = hardware
        self._processes: dict[str, asyncio.subprocess.Process] = {}
        self.ports: dict[str, Any] = {}

    @property
    def bench_file(self) -> Path:
        """The bench file the daemon runs."""
        return self.folder / self.config / "bench.yaml"

    @property
    def run_folder(self) -> Path:
        """Where the simulator keeps its ports."""
        return self.bench_file.parent / "run"

    async def __aenter__(self) -> Self:
        try:
            await self.start_hardware()
            await self.start_daemon()
        except BaseException:
            await self.stop()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.stop()
        if not self._kept:
            shutil.rmtree(self.folder, ignore_errors=True)

    async def start_hardware(self) -> None:
        """Lay out the files and start the simulated hardware."""
        for config in {"workshop", self.config}:
            if not (self.folder / config).exists():
                shutil.copytree(CONFIGS / config, self.folder / config)
        if self._record is not None:
            shutil.copy(self._record, self.bench_file.parent / self._record.name)
        await self._spawn(
            "sim",
            [BIN / "benchd-sim", "up", self.world, "--seed", self.seed, "--pace", self.pace, "--camera-port", 0],
            [
                "--dir",
                self.run_folder,
                "--with-parent",
                *(["--journal", self._journal] if self._journal else []),
                *self._hardware,
            ],
        )
        ports = await self._file("sim", self.run_folder / "ports.json")
        self._write_bench_file(ports)

    def _write_bench_file(self, ports: Mapping[str, Any]) -> None:
        """What a person would edit: where the camera answers; and motion and settling as quick as the world's pace."""
        yaml = YAML()
        doc = yaml.load(self.bench_file.read_text(encoding="utf-8"))
        # A folder that was used before holds figures that are paced already: those that ship are where to start.
        shipped = yaml.load((CONFIGS / self.config / "bench.yaml").read_text(encoding="utf-8"))
        for name, device in doc["devices"].items():
            if device["driver"] == "http_camera":
                device["url"] = ports["camera"]
                device["settings_url"] = ports["camera_settings"] + "?exposure_ms={exposure_ms}&gain={gain}"
                if "stream_url" in device:
                    device["stream_url"] = f"{ports['camera_stream']}?{urlsplit(device['stream_url']).query}"
            elif device["driver"] == "gcode_axis" and (unpaced := shipped["devices"].get(name)):
                device["top_speed_um_s"] = unpaced["top_speed_um_s"] * self.pace
                device["acceleration_um_s2"] = unpaced["acceleration_um_s2"] * self.pace**2
        doc["motion"]["settle_ms"] = shipped["motion"]["settle_ms"] / self.pace
        doc["mqtt"] = {"broker": "embedded", "child": self._child, "ports": [0, 0]}
        if self._change is not None:
            self._change(doc)
        with self.bench_file.open("w", encoding="utf-8") as out:
            yaml.dump(doc, out)

    async def start_daemon(self) -> None:
        """Start the daemon and wait until it answers on MQTT."""
        told = self.folder / "daemon.json"
        told.unlink(missing_ok=True)
        await self._spawn("daemon", [BIN / "benchd", "up", self.bench_file, "--ports-file", told], [])
        self.ports = await self._file("daemon", told)

    async def _spawn(self, name: str, command: list[Any], more: list[Any]) -> None:
        log = (self.folder / f"{name}.log").open("ab")
        environment = {**os.environ, "XDG_RUNTIME_DIR": str(self.folder / "xdg")}
        (self.folder / "xdg").mkdir(mode=0o700, exist_ok=True)
        self._processes[name] = await asyncio.create_subprocess_exec(
            *(str(part) for part in [*command, *more]),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env=environment,
            start_new_session=True,
            preexec_fn=_end_with_parent,
        )
        log.close()

    async def _file(self, name: str, path: Path) -> dict[str, Any]:
        """Wait for a process to say where it listens."""
        process = self._processes[name]
        for _ in range(2400):  # two minutes: only what hangs takes as long
            if path.exists():
                found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
                return found
            if process.returncode is not None:
                break
            await asyncio.sleep(0.05)
        log = (self.folder / f"{name}.log").read_text(encoding="utf-8", errors="replace")
        raise StackFailed(f"{name} did not come up:\n{log[-4000:]}")

    def process(self, name: str) -> asyncio.subprocess.Process:
        """The process `sim` or `daemon`."""
        return self._processes[name]

    async def end(self, name: str, number: int = signal.SIGTERM) -> int:
        """Send a signal and wait; gives the exit code."""
        process = self._processes.pop(name)
        if process.returncode is None:
            process.send_signal(number)
        try:
            return await asyncio.wait_for(process.wait(), 10.0)
        except TimeoutError:
            process.kill()
            return await process.wait()

    async def stop(self) -> None:
        """End the daemon, then the hardware."""
        for name in ("daemon", "sim"):
            if name in self._processes:
                await self.end(name)

    def client(self, user: str = "bench-hand") -> BenchClient:
        """A client of this bench."""
        host, port, bench = (self.ports[name] for name in ("host", "port", "bench"))
        return BenchClient(host, port, bench=bench, user=user, answer_within_s=ANSWER_S)

    # The hand and the truth, over the simulator's own socket, which the daemon never opens

    def hand(self, do: str, what: str, value: Any = None) -> dict[str, Any]:
        """Do something at the bench as a person does. Raises StackFailed with the world's answer if it cannot be."""
        key = "id" if do in ("fit", "remove") else "value"
        return self.ask_world({"do": do, "what": what, **({} if value is None else {key: value})})

    def ask_world(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """One line over the hand's socket."""
        with socket.socket(socket.AF_UNIX) as road:
            road.settimeout(20.0)
            road.connect(str(self.run_folder / "hand.sock"))
            road.sendall(json.dumps(message).encode() + b"\n")
            with road.makefile(encoding="utf-8") as lines:
                answer: dict[str, Any] = json.loads(lines.readline())
        if not answer.get("ok"):
            raise StackFailed(f"the hand could not {message}: {answer.get('error')}")
        return answer

    async def truth(self) -> dict[str, Any]:
        """What the world knows and nobody else does."""
        process = await asyncio.create_subprocess_exec(
            str(BIN / "benchd-sim"), "truth", "--dir", str(self.run_folder), stdout=asyncio.subprocess.PIPE
        )
        out, _ = await process.communicate()
        found: dict[str, Any] = json.loads(out)
        return found
