"""A small camera that streams JPEGs over HTTP: each picture's grey level tells when it was exposed.

Exposures go on at their pace whatever the line does; `held` keeps pictures back, and lets them go in a burst.
"""

from __future__ import annotations

import asyncio
import base64
import io
import time
from collections import deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import numpy as np
from PIL import Image

PERIOD_S = 0.04
STEP, LEVELS = 8, 30
"""Grey levels from one picture to the next, and how many there are before they begin anew."""


def jpeg(index: int, size: tuple[int, int] = (48, 64)) -> bytes:
    """A flat picture whose level says which it is."""
    out = io.BytesIO()
    level = STEP * (index % LEVELS) + STEP
    Image.fromarray(np.full(size, level, dtype=np.uint8)).save(out, "JPEG", quality=95)
    return out.getvalue()


class StreamEnd:
    """`late_s`: from an exposure to when its picture is sent. `mute` sends nothing more, `gone` hangs up."""

    def __init__(self, late_s: float = 0.0, most: int | None = None) -> None:
        self._late_s, self._most = late_s, most
        self.pictures = [jpeg(index) for index in range(LEVELS)]
        self.passing = asyncio.Event()
        self.passing.set()
        self.began_s = time.monotonic()
        self.url = ""
        self.login = ""
        """Name and password, where it asks for them (RFC 7617)."""

    def exposed_s(self, png: bytes, arrived_s: float) -> float:
        """When a picture was exposed that came by then, by its level: the last time that this level was on."""
        with Image.open(io.BytesIO(png)) as picture:
            level = float(np.asarray(picture.convert("L")).mean())
        which = round((level - STEP) / STEP)
        newest = int((arrived_s - self.began_s) / PERIOD_S)
        index = newest - (newest - which) % LEVELS
        return self.began_s + index * PERIOD_S

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readuntil(b"\r\n\r\n")
        asked = b"Authorization: Basic " + base64.b64encode(self.login.encode())
        if self.login and asked not in head:
            challenge = b'WWW-Authenticate: Basic realm="camera"\r\nContent-Length: 0\r\nConnection: close\r\n\r\n'
            writer.write(b"HTTP/1.1 401 Unauthorized\r\n" + challenge)
            await writer.drain()
            writer.close()
            return
        kind = b"multipart/x-mixed-replace; boundary=frame"
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Type: " + kind + b"\r\n\r\n")
        waiting: deque[int] = deque()
        sent = 0
        index = int((time.monotonic() - self.began_s) / PERIOD_S)
        try:
            while self._most is None or sent < self._most:
                due_s = self.began_s + index * PERIOD_S
                await asyncio.sleep(max(0.0, due_s - time.monotonic()))
                waiting.append(index)
                index += 1
                while waiting and self.passing.is_set():
                    if time.monotonic() < self.began_s + waiting[0] * PERIOD_S + self._late_s:
                        break
                    body = self.pictures[waiting.popleft() % LEVELS]
                    part = f"--frame\r\nContent-Type: image/jpeg\r\nContent-Length: {len(body)}\r\n\r\n"
                    writer.write(part.encode() + body + b"\r\n")
                    await writer.drain()
                    sent += 1
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            writer.close()


@asynccontextmanager
async def streaming(end: StreamEnd) -> AsyncIterator[StreamEnd]:
    """The camera on a port of its own."""
    talks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        talks.add(task)
        await end.serve(reader, writer)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    end.url = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/stream.mjpg"
    try:
        yield end
    finally:
        server.close()
        for talk in talks:
            talk.cancel()
        if talks:
            await asyncio.wait(talks)
