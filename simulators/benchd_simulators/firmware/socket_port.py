"""A device's own network socket: one client at a time, as on most instruments; another one waits until it is gone."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Callable
from pathlib import Path

MOST_PENDING = 65536
ENDLESS_BAUD = 10**9


class SocketPort:
    """In the place of a serial port (`port.Port`): `link` is its name only, `number` 0 takes a free port at the first
    plugging and keeps it. Unplugged, its board hangs up and nobody listens."""

    def __init__(self, link: Path, received: Callable[[bytes], None], opened: Callable[[], None], number: int) -> None:
        self.link = link
        self.number = number
        self._received = received
        self._opened = opened
        self._listening: socket.socket | None = None
        self._client: socket.socket | None = None
        self._pending = bytearray()
        self._deaf = False

    @property
    def in_use(self) -> bool:
        return self._client is not None

    @property
    def baud(self) -> int:
        return ENDLESS_BAUD

    def plug(self) -> str:
        """Listen. Returns the address. Idempotent. Raises OSError where the port is taken."""
        if self._listening is None:
            try:
                self._listening = socket.create_server(("127.0.0.1", self.number), backlog=4)
            except OSError as taken:
                raise OSError(taken.errno, os.strerror(taken.errno or 0), f"port {self.number}") from taken
            self._listening.setblocking(False)
            self.number = self._listening.getsockname()[1]
            asyncio.get_running_loop().add_reader(self._listening, self._accept)
        return f"127.0.0.1:{self.number}"

    def unplug(self) -> None:
        """Hang up and listen no more. Idempotent."""
        self._drop()
        if self._listening is not None:
            asyncio.get_running_loop().remove_reader(self._listening)
            self._listening.close()
            self._listening = None

    def deafen(self, deaf: bool) -> None:
        """Stop fetching what the host writes."""
        self._deaf = deaf
        if self._client is not None:
            loop = asyncio.get_running_loop()
            if deaf:
                loop.remove_reader(self._client)
            else:
                loop.add_reader(self._client, self._readable)

    def write(self, data: bytes) -> None:
        """Towards the host; never blocks, never raises."""
        if self._client is not None:
            self._pending += data[: MOST_PENDING - len(self._pending)]
            self._writable()

    def _accept(self) -> None:
        if self._listening is None or self._client is not None:
            return
        with contextlib.suppress(OSError):
            self._client, _ = self._listening.accept()
            self._client.setblocking(False)
            self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            asyncio.get_running_loop().remove_reader(self._listening)
            self._opened()
            if not self._deaf:
                asyncio.get_running_loop().add_reader(self._client, self._readable)

    def _readable(self) -> None:
        if self._client is None:
            return
        try:
            data = self._client.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if data:
            self._received(data)
        else:
            self._drop()

    def _writable(self) -> None:
        if self._client is None:
            return
        loop = asyncio.get_running_loop()
        try:
            del self._pending[: self._client.send(self._pending) if self._pending else 0]
        except BlockingIOError:
            pass
        except OSError:
            self._drop()
            return
        if self._pending:
            loop.add_writer(self._client, self._writable)
        else:
            loop.remove_writer(self._client)

    def _drop(self) -> None:
        if self._client is None:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._client)
        loop.remove_writer(self._client)
        self._client.close()
        self._client = None
        self._pending.clear()
        if self._listening is not None:
            loop.add_reader(self._listening, self._accept)
