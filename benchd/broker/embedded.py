"""The embedded broker: a child process on loopback that ends with the daemon, its stderr in the log."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import pwd
import shutil
import sys
import tempfile
from collections import deque
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

from benchd.broker import child
from benchd.broker.config import (
    LOOPBACK,
    Child,
    Ports,
    check_loopback,
    choose_child,
    config_text,
    free_ports,
    mosquitto_executable,
    unprivileged_user,
)
from benchd.devices.clock import Clock
from benchd.errors import BenchdError
from benchd.mqtt.connection import Endpoint
from benchd.parts import ending_of

_log = logging.getLogger(__name__)
_LINES_PER_S = 5.0
_LINES_BURST = 20.0
LAST_WORDS_S = 0.1
"""iotcore delivers accepted messages within this, and drops them if terminated before, such as the last `online`."""
TERMINATE_S = 0.3
"""A broker keeps nothing on disk and ends within milliseconds of SIGTERM; a frozen one never does, and is killed."""


class EmbeddedBroker:
    """`async with EmbeddedBroker(clock) as broker`: started on entering, gone with its ports on leaving.

    `child` forces one of the two; port 0 asks for any free port. `messages` are sentences for a person (replaced ports,
    which child, as which user). Raises Refused for another address than loopback or a missing child, and BenchdError
    (device_fault) if the child does not start; its last stderr lines are in `data`.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        child: Literal["auto", "iotcore", "mosquitto"] = "auto",
        ports: Ports | None = None,
        address: str = LOOPBACK,
    ) -> None:
        check_loopback(address)
        self._clock = clock
        self.child: Child = choose_child(child)
        self.ports = ports or Ports()
        self.messages: list[str] = []
        self.last_words: deque[str] = deque(maxlen=50)
        self._process: asyncio.subprocess.Process | None = None
        self._reader: asyncio.Task[None] | None = None
        self._folder: Path | None = None

    @property
    def pid(self) -> int | None:
        """The child's process id while it runs."""
        return self._process.pid if self._process is not None and self._process.returncode is None else None

    @property
    def endpoint(self) -> Endpoint:
        """The endpoint that benchd itself uses: MQTT 5."""
        return Endpoint(LOOPBACK, self.ports.v5, "5")

    def listeners(self) -> tuple[Endpoint, Endpoint]:
        """The endpoints of all listeners."""
        return (Endpoint(LOOPBACK, self.ports.v4, "3.1.1"), self.endpoint)

    def resident_bytes(self) -> int:
        """Memory of the child, 0 when it does not run."""
        try:
            pages = int(Path(f"/proc/{self.pid}/statm").read_text(encoding="ascii").split()[1])
        except (OSError, ValueError, IndexError):
            return 0
        return pages * os.sysconf("SC_PAGE_SIZE")

    async def start(self) -> None:
        """Start the child and return when all its ports accept; retries with another port if one was lost meanwhile."""
        self.messages.clear()
        for attempt in range(3):
            self.ports, replaced = free_ports(self.ports)
            self.messages.extend(replaced)
            await self._spawn()
            if await self._accepts_on_all_ports():
                break
            await self.stop()
            if attempt == 2:
                raise BenchdError(
                    "device_fault",
                    f"The broker {self.child} did not start.",
                    advice="Read its last words; `child: iotcore` or `child: mosquitto` forces the other one.",
                    data={"last_words": list(self.last_words)},
                )
        user = unprivileged_user(self.child)
        self.messages.append(
            f"Broker {self.child} on {LOOPBACK}{f', as user {user}' if user else ''}: {self.ports.spoken(self.child)}."
        )
        for sentence in self.messages:
            _log.info(sentence)

    async def stop(self) -> None:
        """End the child: SIGTERM, then kill after TERMINATE_S. Safe to call twice."""
        process, self._process = self._process, None
        if process is not None:
            if self.child == "iotcore" and process.returncode is None:
                await asyncio.sleep(LAST_WORDS_S)
            with contextlib.suppress(ProcessLookupError):
                process.terminate()
            try:
                async with asyncio.timeout(TERMINATE_S):
                    await process.wait()
            except TimeoutError:
                process.kill()
                await process.wait()
        if self._reader is not None:
            await asyncio.wait({self._reader}, timeout=1.0)
            self._reader.cancel()
            await asyncio.wait({self._reader})
            self._reader = None
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder = None

    async def restart(self) -> None:
        """Stop and start again, on the same ports if they are still free."""
        await self.stop()
        await self.start()

    async def ended(self) -> int:
        """Wait until the child ends by itself; its exit code."""
        if self._process is None:
            return -1
        return await self._process.wait()

    async def __aenter__(self) -> Self:
        try:
            await self.start()
        except BaseException:  # cancelled while starting: the child must not stay
            await self.stop()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with ending_of("broker"):
            await self.stop()

    async def _spawn(self) -> None:
        user = unprivileged_user(self.child)
        self._folder = Path(tempfile.mkdtemp(prefix="benchd-broker-"))
        config = self._folder / "broker.toml"  # iotcore requires this extension; mosquitto accepts any
        config.write_text(config_text(self.child, self.ports), encoding="utf-8")
        config.chmod(0o600)
        if user is not None:
            entry = pwd.getpwnam(user)
            for path in (self._folder, config):
                os.chown(path, entry.pw_uid, entry.pw_gid)
        executable = mosquitto_executable() or "-"
        arguments = [self.child, str(os.getpid()), user or "-", executable, str(config)]
        self._process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-P",
            child.__file__,
            *arguments,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
            cwd="/",
            start_new_session=True,  # Ctrl-C in a terminal is for the daemon alone, which ends its parts in order
        )
        self._reader = asyncio.create_task(self._listen(self._process), name="broker-stderr")

    async def _listen(self, process: asyncio.subprocess.Process) -> None:
        """Log the child's stderr at a limited rate; all of it is read, or the child would block."""
        assert process.stderr is not None
        tokens, filled = _LINES_BURST, self._clock.monotonic()
        rest = b""
        while chunk := await process.stderr.read(4096):
            *lines, rest = (rest[-4096:] + chunk).split(b"\n")
            for line in (raw.decode("utf-8", "replace") for raw in lines):
                self.last_words.append(line)
                now = self._clock.monotonic()
                tokens, filled = min(_LINES_BURST, tokens + (now - filled) * _LINES_PER_S), now
                if tokens >= 1.0:
                    tokens -= 1.0
                    _log.warning("broker: %s", line)

    async def _accepts_on_all_ports(self) -> bool:
        assert self._process is not None
        for port in self.ports.all():
            for _ in range(500):
                if self._process.returncode is not None:
                    return False
                if await _accepts(port):
                    break
                await asyncio.sleep(0.01)
            else:
                return False
        return True


async def _accepts(port: int) -> bool:
    try:
        _, writer = await asyncio.open_connection(LOOPBACK, port)
    except OSError:
        return False
    writer.close()
    with contextlib.suppress(OSError):
        await writer.wait_closed()
    return True
